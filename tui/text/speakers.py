"""Who spoke, and what is said about voices, in words."""

from __future__ import annotations

from collections.abc import Sequence

from grammar.case.view import Utterance
from grammar.protocol.model import Protocol
from tui.text.wording import clean, station

VOICE_NOTICE = (
    "A voice is personal data: known only after a yes; gone when the case ends,"
    " or kept by name until `answerback team --forget NAME`; in no export."
)
"""Two lines of a terminal that the briefing and the card say about voices."""

SAY_CASE = "yes, for this case only"
"""A yes that counts when it is said aloud, in English."""

STRANGER, DOUBTFUL = "a stranger", "who?"


def speaker(protocol: Protocol, said: Utterance) -> str:
    """Return who spoke: a station, "Anteroom?" where it perhaps did, a stranger, or that it is doubtful;
    empty where nothing is known of that."""
    if said.sender is None and said.speaker.perhaps:
        return f"{station(protocol, said.speaker.perhaps)}?"
    told = {"stranger": STRANGER, "doubtful": DOUBTFUL}.get(said.speaker.told)
    return told or station(protocol, said.sender)


def speaker_reasons(said: Utterance) -> str:
    """Return what is known of a speaker's confidence and its reasons, such as "91 %: voice 0.91,
    channel"."""
    reasons = ", ".join(said.speaker.reasons)
    return f"{100 * said.speaker.confidence:.0f} %: {clean(reasons)}" if reasons else ""


def said_before(said: Sequence[Utterance]) -> Utterance | None:
    """Return what was heard just before the last of these utterances, on its channel; None where nothing
    was. An entry by hand was not spoken on any channel."""
    heard = (one for one in reversed(said[:-1]) if one.channel == said[-1].channel)
    return next((one for one in heard if "entered" not in one.flags), None)
