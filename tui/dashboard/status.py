"""The state of the listening side, as the screen shows it."""

from __future__ import annotations

from dataclasses import dataclass

from listener.team.card_in_case import CardProgress


@dataclass(frozen=True, slots=True)
class Replaying:
    """How a stored case is being replayed."""

    playing: bool
    speed: float
    """As a multiple of its own."""
    sound: str
    """The sound that is heard, in words for people: "with its sound", "muted", "no sound kept"."""


@dataclass(frozen=True, slots=True)
class Status:
    """A snapshot of the listening side; the case itself is in the View."""

    engine: str
    """Name of the recogniser that listens."""
    level_dbfs: float | None
    """Input level, dB relative to full scale (0 is the loudest); None before the first sound."""
    recording: bool
    """Whether the sound is being written to the case folder."""
    partial: str
    """Words so far of the utterance being spoken; empty between utterances."""
    source: str
    """Where the sound comes from, for people: "microphone", a file's name, "standard input"."""
    title: str
    """The protocol's title."""
    ended: bool = False
    """The sound is over; nothing more will be heard."""
    unheard_s: float | None = None
    """No more sound comes, and so much of it is still to be heard, seconds; None while it comes."""
    failure: str | None = None
    """One sentence where listening broke off; None while all is well."""
    troubles: tuple[str, ...] = ()
    """Troubles of the sound, the disk or the engine, each a sentence."""
    unrecorded: bool = False
    """Whether the sound is to be kept and the disk does not take it; `troubles` say why."""
    unstored_from: int | None = None
    """The first fact that is not on disk yet, its `seq`; None while all are."""
    ears: str = ""
    """How often each utterance is heard, in words; empty where nobody can tell."""
    hears: bool = True
    """Whether there is an input whose level can be told."""
    missing: str = ""
    """Something wished for that this machine lacks, in few words; the log says why."""
    card: CardProgress | None = None
    """The card that a member reads; None while nobody does."""
    replay: Replaying | None = None
    """Where a stored case is shown; None while one is being heard."""
