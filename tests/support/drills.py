"""The spoken sample drills as cases: as their scripts say they were spoken, and as they were heard."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from grammar.case.facts import CaseEnded, CaseStarted, Fact, Heard
from grammar.case.view import View
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.storage.case_reader import StoredCase, open_case
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


def heard(name: str, cases: Path) -> View:
    """The drill as the quick ear hears its sound, read back from the journal."""
    from listener.audio.sources import AudioFile
    from tui.listening.case_listening import Listening
    from tui.listening.json_lines import run_headless
    from tui.listening.options import CaseOptions

    told = truth(name)
    listening = Listening(
        AudioFile(SAMPLES / f"{name}.flac"),
        CaseOptions(
            protocol=told["protocol"],
            weight_kg=told["weight_kg"],
            recogniser="vosk",
            model=None,
            cases=cases,
            record=False,
            real_pace=False,
        ),
    )
    run_headless(listening, lambda _line: None)
    return open_case(listening.journal.folder).view()
