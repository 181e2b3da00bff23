"""The spoken sample drills as cases: as their scripts say they were spoken, and as they were heard."""

from __future__ import annotations

import fcntl
import pickle
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from grammar.case.facts import CaseEnded, CaseStarted, Confirmed, Fact, Heard
from grammar.case.view import View
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.reports.summary import utterance_json
from listener.storage.case_reader import StoredCase
from tests.support.places import SAMPLES


@cache
def truth(name: str) -> dict[str, Any]:
    """What stands beside the sound: who said what when, written by the drill's author."""
    return tomllib.loads((SAMPLES / f"{name}.toml").read_text(encoding="utf-8"))


def spoken(name: str) -> tuple[Fact, ...]:
    """The facts of a listener that misses nothing."""
    told = truth(name)
    facts: list[Fact] = [
        CaseStarted(seq=1, protocol=told["protocol"], weight_kg=told["weight_kg"], drill=True)
    ]
    for seq, said in enumerate(told["utterance"], start=2):
        words = tuple(Word(word, said["t"], said["until"]) for word in said["words"].split())
        facts.append(
            Heard(seq=seq, t=said["t"], until=said["until"], words=words, sender=said["from"])
        )
    return (*facts, CaseEnded(seq=len(facts) + 1, t=told["duration_s"]))


def spoken_case(name: str, folder: Path) -> StoredCase:
    """The same as a stored case of no sound; nothing is written into `folder`."""
    return StoredCase(folder, load_protocol(truth(name)["protocol"]), spoken(name), ())


def is_right(line: Mapping[str, Any], spoken: Mapping[str, Any]) -> bool:
    """Whether an utterance, as a line of JSON, is what was spoken then."""
    overlaps = line["t"] < spoken["until"] and line["until"] > spoken["t"]
    same = line["role"] == spoken["role"] and line["call"] == spoken.get("call")
    return overlaps and same and line["slots"] == spoken.get("slots", {})


def accepted(name: str, view: View, last: int) -> list[Confirmed]:
    """The recorder's hand, a second after each utterance that is marked and is what was said, but for those
    that are spoken to be unclear. Facts are numbered after `last`."""
    spoken = [each for each in truth(name)["utterance"] if each.get("fault") != "unclear-number"]
    right = [
        said
        for line in view.log
        if (said := line.utterance) is not None
        and said.unsure
        and any(is_right(utterance_json(said), each) for each in spoken)
    ]
    return [
        Confirmed(seq=seq, t=said.until + 1.0, target=said.fact)
        for seq, said in enumerate(right, start=last + 1)
    ]


@dataclass(frozen=True, slots=True)
class HeardDrill:
    """A drill as the quick ear heard its sound, recorded and stored. It is shared: only read it."""

    folder: Path
    """Its stored case."""
    told: tuple[Mapping[str, Any], ...]
    """The lines that were told of it, the summary last."""
    now: float
    """The moment of the summary, seconds."""


class HeardDrills:
    """Hears each drill once in a run of the tests, for all who ask, in whatever worker."""

    def __init__(self, place: Path) -> None:
        """`place` is a folder that all workers share; it is made where it is missing."""
        self._place = place
        self._here: dict[str, HeardDrill] = {}

    def __call__(self, name: str) -> HeardDrill:
        if name not in self._here:
            self._here[name] = self._heard_in_this_run(name)
        return self._here[name]

    def _heard_in_this_run(self, name: str) -> HeardDrill:
        """Return what another worker heard, waiting where it is about to; else hear it."""
        self._place.mkdir(exist_ok=True)
        kept = self._place / f"{name}.pickle"
        with (self._place / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not kept.exists():
                kept.write_bytes(pickle.dumps(_hear(name, self._place / name)))
        found: HeardDrill = pickle.loads(kept.read_bytes())
        return found


def _hear(name: str, cases: Path) -> HeardDrill:
    from listener.audio.sources import AudioFile
    from tui.listening.case_listening import Listening
    from tui.listening.json_lines import run_headless
    from tui.listening.options import CaseOptions

    drill = truth(name)
    listening = Listening(
        AudioFile(SAMPLES / f"{name}.flac"),
        CaseOptions(
            protocol=drill["protocol"],
            weight_kg=drill["weight_kg"],
            recogniser="vosk",
            model=None,
            cases=cases,
            record=True,
            real_pace=False,
        ),
    )
    lines: list[Mapping[str, Any]] = []
    run_headless(listening, lines.append)
    return HeardDrill(listening.journal.folder, tuple(lines), listening.live.now)
