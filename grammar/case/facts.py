"""The fact types: the only things that are ever stored.

A fact is never edited or deleted. A later fact may amend, withdraw or confirm an earlier one by its
`seq`. Times `t` and `until` are seconds on the case's own clock: the start of its audio, or of the
case where there is none. `seq` counts from 1 and is given by the journal.

The file is longer than others since all fact types stand in one place: together they are the schema of a
stored case.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, TypeAdapter
from pydantic.dataclasses import dataclass

from grammar.language.words import Word

# Infinity and NaN have no JSON (RFC 8259): what is stored could not be read back.
_FACT = ConfigDict(extra="forbid", allow_inf_nan=False)

BEHIND = "behind"
"""`Warned.what` of hearing that lags behind the sound."""

NOT_RECORDED = "not-recorded"
"""`Warned.what` when the disk does not take the sound."""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class CaseStarted:
    """The case began. `wall` is the local date and time with offset, ISO 8601."""

    kind: Literal["case-started"] = "case-started"
    seq: int = 0
    t: float = 0.0
    wall: str = ""
    protocol: str
    weight_kg: float | None = None
    engine: str = ""
    recording: bool = False
    source: str = ""
    channels: tuple[tuple[int, str], ...] = ()
    """Input channels (from 1) that belong to one station, with the station's id."""
    original: str = ""
    """The folder's name of the case whose sound was heard again for this one."""
    drill: bool | None = None
    """True for a drill, False for a real case; None where nobody said."""
    scenario: str = ""
    """The drill's script in the team's words; trends join cases of one scenario."""
    objectives: tuple[str, ...] = ()
    """Objectives typed at the briefing, in free words."""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Heard:
    """One utterance as the recogniser heard it, from its first word's start to its last word's end."""

    kind: Literal["heard"] = "heard"
    seq: int = 0
    t: float
    until: float
    channel: int = 1
    words: tuple[Word, ...]
    engine: str = ""
    sender: str | None = None
    """Station id where the source itself knows who speaks (a written dialogue); else None."""
    doubts: tuple[str, ...] = ()
    """Reasons of the listener's own doubt: `second-listener` when the second engine heard otherwise."""
    confidence: float | None = None
    """Probability that call and slots are right; None where the engine gives its words' only."""
    evidence: tuple[tuple[str, float], ...] = ()
    """Names and values that the confidence was worked out from, see
    `listener/confidence/evidence.py`."""
    late_s: float = 0.0
    """Seconds that hearing was behind the sound, where that mattered; else 0. It changes the time
    of hearing alone."""
    likely: str = ""
    """Of speech that was not understood, the likeliest words; "" where there are none."""
    voice: tuple[tuple[str, float], ...] = ()
    """Who spoke by the voice alone, as `VoiceMatched.shares`; empty where no voice was compared."""

    @property
    def text(self) -> str:
        """Return its words as one line."""
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class HeardOut:
    """The speaker of fact `target` (a Heard) went on after it had been stored: the whole utterance.

    The other fields are those of Heard, and stand in place of the target's.
    """

    kind: Literal["heard-out"] = "heard-out"
    seq: int = 0
    t: float
    until: float
    target: int
    words: tuple[Word, ...]
    doubts: tuple[str, ...] = ()
    confidence: float | None = None
    evidence: tuple[tuple[str, float], ...] = ()
    late_s: float = 0.0
    likely: str = ""

    @property
    def text(self) -> str:
        """Return its words as one line."""
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Entered:
    """A call entered by a person at the keyboard, with its slots."""

    kind: Literal["entered"] = "entered"
    seq: int = 0
    t: float
    call: str
    slots: tuple[tuple[str, str | float], ...] = ()
    sender: str | None = None
    to: str | None = None


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Noted:
    """A free note by a person; a `mark` is a moment to come back to in the debrief."""

    kind: Literal["noted"] = "noted"
    seq: int = 0
    t: float
    text: str
    mark: bool = False


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Amended:
    """A person's correction: fact `target` (a Heard) should have been heard as `words`."""

    kind: Literal["amended"] = "amended"
    seq: int = 0
    t: float
    target: int
    words: str


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Withdrawn:
    """A person says that fact `target` did not happen. A withdrawn amendment is undone likewise."""

    kind: Literal["withdrawn"] = "withdrawn"
    seq: int = 0
    t: float
    target: int


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Confirmed:
    """A person accepts fact `target`, an utterance marked unsure, as heard."""

    kind: Literal["confirmed"] = "confirmed"
    seq: int = 0
    t: float
    target: int


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class AnsweredByHand:
    """A person saw or heard the answer to loop `loop` that the recogniser missed."""

    kind: Literal["answered-by-hand"] = "answered-by-hand"
    seq: int = 0
    t: float
    loop: int
    own_timer: bool | None = None
    """Whether the loop is a timer of that person's own, started in the same act: nobody called it. None in
    cases of before, where equal times tell it."""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class SpeakerSet:
    """A person says who spoke fact `target`."""

    kind: Literal["speaker-set"] = "speaker-set"
    seq: int = 0
    t: float
    target: int
    station: str


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class VoiceMatched:
    """The voice of fact `target` (a Heard) was compared with those of the team that agreed to be known."""

    kind: Literal["voice-matched"] = "voice-matched"
    seq: int = 0
    t: float
    target: int
    shares: tuple[tuple[str, float], ...]
    """Every station that has members, and how likely one of them spoke, 0 to 1, by the voice alone. The
    rest of 1 is how likely it was nobody of the team."""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class VoiceAgreed:
    """A member of `station` agreed to be known by their voice. Nothing of the voice itself is a fact.

    `scope` is `case` for this case only, `kept` for a voice that is kept under a name for later ones too,
    and `from-here` where what they say in the case, named by words or by hand, is their card.
    """

    kind: Literal["voice-agreed"] = "voice-agreed"
    seq: int = 0
    t: float
    station: str
    scope: Literal["case", "kept", "from-here"]


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Gap:
    """Nothing could be heard from `t` to `until`: a lost device, a pause, a crash."""

    kind: Literal["gap"] = "gap"
    seq: int = 0
    t: float
    until: float
    reason: str


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Doubted:
    """The listener itself came to doubt fact `target` (a Heard) after it had been stored.

    `reason` as in `Heard.doubts`; `words` is what was heard instead, empty where that is nothing.
    """

    kind: Literal["doubted"] = "doubted"
    seq: int = 0
    t: float
    target: int
    reason: str
    words: str = ""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class SecondHearing:
    """The sure ear heard the sound of fact `target` (a Heard) as well, after that had been stored.

    `confirms`: both ears heard the same. `puts-right`: `words` are the better reading. `rescues`: the
    quick ear had found no call, and `words` are one. `rejects`: neither ear's sentence is likely, and it
    was no call. `doubts`: it may have been `words`, empty where it
    may have been no call, and which of the two is open. `confidence` and `evidence` are of both ears.
    """

    kind: Literal["second-hearing"] = "second-hearing"
    seq: int = 0
    t: float
    target: int
    verdict: Literal["confirms", "puts-right", "rescues", "rejects", "doubts"]
    words: tuple[Word, ...] = ()
    doubts: tuple[str, ...] = ()
    """As in `Heard.doubts`."""
    confidence: float | None = None
    evidence: tuple[tuple[str, float], ...] = ()
    engine: str = ""

    @property
    def text(self) -> str:
        """Return its words as one line."""
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class TimerChanged:
    """A person stopped the timer that fact `timer` started, or made it `seconds` longer."""

    kind: Literal["timer-changed"] = "timer-changed"
    seq: int = 0
    t: float
    timer: int
    change: Literal["stop", "extend"]
    seconds: float = 0.0


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Ticked:
    """A person ticked item `item` of checklist `checklist` by hand."""

    kind: Literal["ticked"] = "ticked"
    seq: int = 0
    t: float
    checklist: str
    item: str


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class WeightSet:
    """The patient's weight was entered or put right; it holds for what is called from `t` on."""

    kind: Literal["weight-set"] = "weight-set"
    seq: int = 0
    t: float
    weight_kg: float = Field(gt=0)


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class RecordingSet:
    """Recording of the sound was paused or taken up again; paused sound is silence in the file.

    Where the file could not be continued, the sound from `t` on is in `audio` of the folder.
    """

    kind: Literal["recording-set"] = "recording-set"
    seq: int = 0
    t: float
    on: bool
    audio: str = ""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Resumed:
    """The case went on after it had been broken off. Its sound from `t` on is in `audio` of the folder.

    `wall` as in CaseStarted; the time in between is a Gap, counted by the wall clock.
    """

    kind: Literal["resumed"] = "resumed"
    seq: int = 0
    t: float
    wall: str = ""
    engine: str = ""
    recording: bool = False
    source: str = ""
    audio: str = ""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Warned:
    """Something about the sound or the store was not as it should be, from `t` on."""

    kind: Literal["warned"] = "warned"
    seq: int = 0
    t: float
    what: str
    """A short id, such as `clipping`, `silence`, `clock`, `storage`, `engine`, `behind`. From one of
    NOT_RECORDED on no sound is kept, until a RecordingSet says where it goes on."""
    text: str
    """One sentence for people."""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class HeardSoFar:
    """All that was said up to `t` has been told, while hearing lagged behind the sound or had just caught
    up. It changes nothing in the case: it says what may not be judged yet."""

    kind: Literal["heard-so-far"] = "heard-so-far"
    seq: int = 0
    t: float
    late_s: float = Field(ge=0)
    """Seconds that hearing was behind the sound then; 0 once it has caught up."""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class Purged:
    """The sound of the case was removed. `wall` is when, as in CaseStarted."""

    kind: Literal["purged"] = "purged"
    seq: int = 0
    t: float
    wall: str = ""


@dataclass(frozen=True, slots=True, config=_FACT, kw_only=True)
class CaseEnded:
    """The case ended, or its audio did."""

    kind: Literal["case-ended"] = "case-ended"
    seq: int = 0
    t: float
    wall: str = ""


Fact = Annotated[
    CaseStarted
    | Heard
    | HeardOut
    | Entered
    | Noted
    | Amended
    | Withdrawn
    | Confirmed
    | AnsweredByHand
    | SpeakerSet
    | VoiceAgreed
    | VoiceMatched
    | Gap
    | Doubted
    | SecondHearing
    | TimerChanged
    | Ticked
    | RecordingSet
    | WeightSet
    | Resumed
    | Warned
    | HeardSoFar
    | Purged
    | CaseEnded,
    Field(discriminator="kind"),
]

_ADAPTER: TypeAdapter[Fact] = TypeAdapter(Fact)


def heard_out(heard: Heard, target: int) -> HeardOut:
    """Return the fact to store when `heard` is the whole of an utterance whose beginning was stored
    as `target`."""
    return HeardOut(
        t=heard.t,
        until=heard.until,
        target=target,
        words=heard.words,
        doubts=heard.doubts,
        confidence=heard.confidence,
        evidence=heard.evidence,
        late_s=heard.late_s,
        likely=heard.likely,
    )


def fact_to_json(fact: Fact) -> str:
    """Return a fact as one line of JSON (RFC 8259); `fact_from_json` reads it back."""
    return _ADAPTER.dump_json(fact).decode()


def fact_from_json(text: str | bytes) -> Fact:
    """Return a fact from its JSON. Raises pydantic's ValidationError (a ValueError) for anything
    else."""
    return _ADAPTER.validate_json(text)


def as_dict(fact: Fact) -> dict[str, Any]:
    """Return a fact as plain values, for exports and tests."""
    found: dict[str, Any] = _ADAPTER.dump_python(fact, mode="json")
    return found
