"""Asks a member whether their voice may be known: typed, or said aloud where a microphone hears it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from listener.audio.blocks import Source
from listener.team.spoken_consent import ConsentEar, spoken_answer
from tui.commands.console import Console
from tui.text.speakers import SAY_CASE

SAY_KEEP: Final = "yes, keep my voice"


@dataclass(frozen=True, slots=True)
class SpokenConsent:
    """A way to hear an answer."""

    ear: ConsentEar
    source: Source
    """A microphone; only its first channel is heard."""
    name: str
    """The name under which a voice is kept whose person says so aloud."""


def ask_consent(
    console: Console, title: str, spoken: SpokenConsent | None, *, case: bool
) -> tuple[bool, str]:
    """Return whether this person said yes, and the name to keep the voice under, "" for this case only.
    Whatever is no clear yes is no. `spoken` is None where an answer can be typed only."""
    how = "yes (this case only), yes NAME (kept)" if case else "yes NAME (kept under that name)"
    question = f"{title}: may your voice be known? {how}, or Enter to skip:"
    if spoken is None:
        return _typed(console.ask(question), case=case)
    only = f"“{SAY_CASE}”, " if case else ""
    console.say(question)
    console.say(f"  or say: {only}“{SAY_KEEP}” (as {spoken.name}), or “no”")
    answer = spoken_answer(
        spoken.source.blocks(),
        spoken.ear,
        console.typed,
        lambda: console.say("  that was no clear yes: say one of the sentences, or type"),
    )
    if answer.startswith(":"):
        return _typed(answer[1:], case=case)
    if answer == "keep":
        console.say(f"  heard: “{SAY_KEEP}”")
        return True, spoken.name
    if answer == "case" and case:
        console.say(f"  heard: “{SAY_CASE}”")
        return True, ""
    return False, ""


def _typed(answer: str, *, case: bool) -> tuple[bool, str]:
    word, _, name = answer.partition(" ")
    if word.lower() != "yes" or not (case or name.strip()):
        return False, ""
    return True, name.strip()
