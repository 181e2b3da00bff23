"""A sample played into a virtual sound card is heard through PortAudio as from its file.

The card is a null sink of a real PulseAudio server; its monitor is the microphone.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from grammar.case.facts import Gap
from listener.storage.journal import Journal
from tests.support.sound_card import Card, heard_whole, sound_card
from tests.support.speech import quick_part

pytestmark = [pytest.mark.slow, sound_card]


@pytest.fixture
def loop(tmp_path: Path) -> Path:
    """An order of the quick sample and its read-back; it plays in real time, so no more than these."""
    return quick_part(tmp_path / "loop.wav", 8.2, 16.0)


COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]


@contextmanager
def listening(card: Card, cases: Path, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    """`answerback listen` on the card; interrupted at the end, as by Ctrl-C."""
    others = listeners(card)
    found = subprocess.Popen(
        [*COMMAND, "listen", "--json", "--cases", str(cases), *options],
        env=card.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        for _ in range(300):  # until it has heard for a while
            if listeners(card) > others:
                break
            time.sleep(0.1)
        time.sleep(2)
        yield found
        time.sleep(2)
    finally:
        found.send_signal(signal.SIGINT)


def listeners(card: Card) -> int:
    """How many programs take sound from the card."""
    return len(card.run("pactl", "list", "short", "source-outputs").stdout.splitlines())


def test_a_microphone_hears_the_same_calls_as_the_file(
    card: Card, four_calls: Path, tmp_path: Path
) -> None:
    from_file = card.run(
        *COMMAND, "listen", str(four_calls), "--json", "--cases", str(tmp_path / "cases")
    )
    expected = calls(from_file.stdout)
    assert len(expected) == 4

    def hear(cases: Path) -> list[tuple[str, object]]:
        with listening(card, cases) as heard:
            card.play(four_calls)
        return calls(ended(heard)[0])

    assert heard_whole(hear, lambda found: found == expected, tmp_path) == expected


def test_a_microphone_that_goes_away_leaves_a_gap_and_is_heard_again_when_it_is_back(
    card: Card, loop: Path, tmp_path: Path
) -> None:
    def hear(cases: Path) -> tuple[list[tuple[str, object]], bytes, Path]:
        with listening(card, cases) as heard:
            card.play(loop)
            card.unplug()
            time.sleep(6)
            card.plug_in()
            for _ in range(300):
                if listeners(card):
                    break
                time.sleep(0.1)
            time.sleep(3)
            card.play(loop)
        out, error = ended(heard)
        (case,) = cases.iterdir()
        return calls(out), error, case

    def whole(heard: tuple[list[tuple[str, object]], bytes, Path]) -> bool:
        return len(heard[0]) == 4 and heard[0][:2] == heard[0][2:]

    found, error, case = heard_whole(hear, whole, tmp_path)
    assert b"microphone is gone" in error
    assert len(found) == 4
    assert found[:2] == found[2:]
    journal = Journal.open(case)
    (gap,) = (fact for fact in journal.facts() if isinstance(fact, Gap))
    journal.close()
    assert 5 <= gap.until - gap.t <= 20


def ended(heard: subprocess.Popen[bytes]) -> tuple[bytes, bytes]:
    """What it wrote to its two outputs, once it has ended well."""
    out, error = heard.communicate(timeout=30)
    assert heard.returncode == 0, error
    return out, error


def calls(out: bytes) -> list[tuple[str, object]]:
    lines = [json.loads(line) for line in out.splitlines()]
    assert lines[-1]["kind"] == "summary"
    return [(line["call"], line["slots"]) for line in lines[:-1] if line["call"]]


def test_a_microphone_is_chosen_by_name_or_number_and_those_there_are_are_listed(
    card: Card, loop: Path, tmp_path: Path
) -> None:
    told = card.run(*COMMAND, "listen", "--device", "list")
    names = told.stdout.decode().splitlines()
    assert told.returncode == 0
    assert any("pulse" in name for name in names), names
    number = next(name for name in names if "pulse" in name).partition(":")[0]

    def hear(cases: Path) -> list[bytes]:
        with (
            listening(card, cases / "by-name", "--device", "pulse") as by_name,
            listening(card, cases / "by-number", "--device", number) as by_number,
        ):
            card.play(loop)
        return [ended(heard)[0] for heard in (by_name, by_number)]

    heard = heard_whole(hear, lambda found: all(len(calls(out)) == 2 for out in found), tmp_path)
    assert [len(calls(out)) for out in heard] == [2, 2]
    refused = card.run(*COMMAND, "listen", "--json", "--device", "no such thing")
    assert refused.returncode == 2
    assert refused.stderr.startswith(b"The microphone cannot be used"), refused.stderr
