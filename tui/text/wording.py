"""Calls, slots and times in words, for every screen and report. Pure functions, plain text."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Mapping
from decimal import Decimal
from types import MappingProxyType

from grammar.case.loops import Loop, LoopState
from grammar.case.view import Role, Utterance, View, utterance_of
from grammar.language.meaning import Meaning, Slots, SlotValue
from grammar.language.phrases import UNKNOWN
from grammar.protocol.model import Call, Protocol
from grammar.times import clock as clock  # noqa: PLC0414 - told on to every screen
from grammar.times import duration as duration  # noqa: PLC0414
from grammar.times import number as number  # noqa: PLC0414

CAUTION = (
    "training and documentation aid, not a medical device, no alarm system: follow local policy"
)

CAUTION_IN_SHORT = "training aid, not a medical device, no alarm system: follow local policy"
"""The cautions for a terminal in which the whole sentences would cost a row."""

DRILL_WORDS: Mapping[bool | None, str] = MappingProxyType(
    {True: "DRILL", False: "REAL CASE", None: "drill or real: not said"}
)
"""Words for what a case is."""

NOT_HEARD_YET = "not heard that far yet"
"""Words for what may have been said, while hearing lags behind."""

STATE_WORDS: dict[LoopState, str] = {
    "open": "awaiting read-back",
    "unheard": f"awaiting, {NOT_HEARD_YET}",
    "unknown": "not known whether answered",
    "answered": "read back",
    "closed": "loop closed",
    "differs": "DIFFERS",
    "unanswered": "UNANSWERED",
    "withdrawn": "taken back",
}
AWAITING_ANSWER = "awaiting an answer"
"""Words for an open call that a bare "copy" closes: nobody has to read it back."""

STATE_MARKS: dict[LoopState, str] = {
    "open": "?",
    "unheard": "?…",
    "unknown": "??",
    "answered": "~",
    "closed": "=",
    "differs": "≠",
    "unanswered": "!!",
    "withdrawn": "x",
}
"""A mark for each state, so that none is told by colour alone."""

POSSIBLE_HELP_WORDS = "POSSIBLE CALL FOR HELP"
"""Words for an utterance that may be a call for help, wherever it is loud."""

NOBODY_NAMED = "nobody named"
"""Words for the addressee of a call that names none."""

UNCLEAR_WORDS = "(number unclear)"
"""Words beside a number that has a twin, as fifteen has fifty, until it is read back."""

UNSURE_WORDS = "(unsure)"
"""Words beside a call that was heard with doubt, wherever it is shown."""

ROLE_WORDS: dict[Role, str] = {
    "call": "call",
    "read-back": "read-back",
    "acknowledgement": "acknowledged",
    "proword": "radio word",
    "unrecognised": "speech",
}

CHOSEN = "▶"
"""Mark before the thing that a dialog has chosen and Enter would take, there and in the log."""

FLAG_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "sounds-like": "number unclear",
        "number-conflict": "digits disagree",
        "second-listener": "heard two ways",
        "another-near": "another reading is near",
        "out-of-bounds": "out of bounds",
        "nearest": "not word for word",
        "ambiguous": "fits several calls",
        "heard-late": "heard late",
        "one-ear": "by one hearing only",
        "card": "while a card was read",
        "possible-help": "may be a call for help",
        "sure-ear": "by the second hearing",
        "no call": "answers nothing",
        "amended": "put right",
    }
)
"""Words for the flags of an utterance."""

QUIET_DBFS, LOUD_DBFS = -50.0, -1.0
"""Levels between which the input may hold a voice, dB relative to full scale."""

_SLOT_UNITS = {"mm": "mm", "cm": "cm", "percent": "%", "per_minute": "/min", "joules": "J"}
_WORDED = ("drug", "amount", "unit")


def clean(text: str) -> str:
    """Return text from a file, a microphone or a person, safe to show on one line of a terminal.

    Line breaks become blanks. All other control, format and unassigned characters (Unicode general
    category C: escape, backspace, direction overrides) are left out, so that no text can steer the
    terminal or reorder what stands beside it.
    """
    if text.isprintable():  # nearly always, and some hundred thousand times on a week's page
        return text
    flat = "".join(" " if char in "\t\n\r\v\f\x85\u2028\u2029" else char for char in text)
    return "".join(char for char in flat if not unicodedata.category(char).startswith("C"))


def heard(text: str) -> str:
    """Return the words heard, as `clean` has them; speech that was not understood says so."""
    return clean(text.replace(UNKNOWN, "(not understood)"))


def clean_lines(text: str) -> str:
    """Return the text with each line made safe by `clean`: for text of ours that quotes somebody
    else's file."""
    return "\n".join(clean(line) for line in text.split("\n"))


def left(seconds: float) -> str:
    """Return the time left as mm:ss; a part of a second still counts, so that 00:00 means none is
    left."""
    return clock(math.ceil(seconds - 1e-9))


def station(protocol: Protocol, station_id: str | None) -> str:
    """Return a station's title; its id where it has none, empty where nobody is known."""
    if station_id is None:
        return ""
    found = protocol.stations.get(station_id)
    return clean((found.title if found else "") or station_id)


def drug(protocol: Protocol, drug_id: str) -> str:
    """Return a drug's title, or its id."""
    found = protocol.drugs.get(drug_id)
    return clean((found.title if found else "") or drug_id)


def amount(value: Decimal | None, unit: str) -> str:
    """Return an amount with its unit: 90 mg. Says so where none is known."""
    return "amount not said" if value is None else f"{number(value)} {clean(unit)}".rstrip()


def call_title(protocol: Protocol, call_id: str) -> str:
    """Return a call's title, or its id where the protocol does not know it."""
    found = protocol.calls.get(call_id)
    return clean(found.title if found else call_id)


def call_aloud(protocol: Protocol, loop: Loop, state: LoopState) -> str:
    """Return what is said aloud of a call that waits: never a dose or a number, which would be one more to
    mishear."""
    wrong = {"differs": "Read-back differs", "unanswered": "Nobody answered"}.get(
        state, "Not closed yet"
    )
    return f"{wrong}: {call_title(protocol, loop.call)}"


def wants_read_back(protocol: Protocol, call_id: str) -> bool:
    """Return whether a call has to be read back, and not only acknowledged."""
    call = protocol.calls.get(call_id)
    return call is None or call.readback in ("full", "key")


def state_in_words(protocol: Protocol, call_id: str, state: LoopState) -> str:
    """Return the state of a call in words: an open one awaits a read-back only where that is asked for."""
    if state == "open" and not wants_read_back(protocol, call_id):
        return AWAITING_ANSWER
    return STATE_WORDS[state]


def kind_in_words(protocol: Protocol, call_id: str) -> str:
    """Return what kind of call it is: "order", "report", or "call" for an announcement; in capitals where
    it may hold a drug, as "Give" and "Given" are one letter apart and a dose between them."""
    call = protocol.calls.get(call_id)
    if call is None:
        return ROLE_WORDS["call"]
    if call.kind_told == "announcement":
        return ROLE_WORDS["call"]
    return call.kind_told.upper() if call.may_name_a_drug else call.kind_told


def role_in_words(protocol: Protocol, said: Utterance) -> str:
    """Return what an utterance is, in a word: a call by its kind, else its role."""
    if said.role == "call" and said.call:
        return kind_in_words(protocol, said.call)
    return ROLE_WORDS[said.role]


def told_apart(protocol: Protocol, call_id: str, words: str) -> str:
    """Return the words for a call, an order of a drug and the report that it was given told apart by more
    than a letter: "ORDER: Give ketamine 70 mg", "REPORT: Given ketamine 70 mg"."""
    kind = kind_in_words(protocol, call_id)
    return f"{kind}: {words}" if kind.isupper() else words


def call_in_words(protocol: Protocol, call_id: str, slots: Slots) -> str:
    """Return a call with its slots: "Give ketamine 90 mg", "Timer 3 min", "Pressure 130/80 mmHg"."""
    parts = (call_title(protocol, call_id), slots_in_words(protocol, call_id, slots))
    return " ".join(part for part in parts if part)


def waiting_in_words(protocol: Protocol, call_id: str, slots: Slots) -> str:
    """Return a call that waits, where rows are short: an order as it was called, the report of a drug
    marked as one."""
    words = call_in_words(protocol, call_id, slots)
    call = protocol.calls.get(call_id)
    return told_apart(protocol, call_id, words) if call and not call.is_order else words


def meaning_in_words(protocol: Protocol, meaning: Meaning) -> str:
    """Return the meaning of an utterance in words: a call, a read-back, a checklist item, a proword."""
    reading = meaning.reading
    match meaning.kind:
        case "call" if reading:
            words = call_in_words(protocol, reading.call, reading.slots)
            return told_apart(protocol, reading.call, words)
        case "answer" if reading:
            said = slots_in_words(protocol, reading.call, reading.slots)
            return f"read back {said}" if said else "read back"
        case "item":
            items = {item.id: item for each in protocol.checklist for item in each.items}
            item = items.get(str(meaning.item))
            return clean(item.title or item.spoken[0]) if item else str(meaning.item)
        case "proword":
            return " ".join(meaning.prowords).replace("-", " ")
        case _:
            return "no call"


def utterance_in_words(protocol: Protocol, said: Utterance) -> str:
    """Return the meaning in words that the case gave an utterance."""
    if said.call and said.role in ("call", "read-back"):
        words = call_in_words(protocol, said.call, said.slots)
        if said.role == "read-back":
            return f"read back {words}"
        return told_apart(protocol, said.call, words)
    return meaning_in_words(protocol, said.meaning)


NO_CALL = "no call of the protocol: it will count for nothing"


def typed_in_words(protocol: Protocol, meaning: Meaning) -> str:
    """Return the meaning that typed words would have, to be seen before they are taken."""
    if meaning.kind == "unrecognised":
        return NO_CALL
    words = meaning_in_words(protocol, meaning)
    to = f" → {station(protocol, meaning.to)}" if meaning.to else ""
    doubts = "".join(f", {FLAG_WORDS.get(doubt, doubt)}" for doubt in meaning.doubts)
    return f"{words}{to}{doubts and f'{doubts}: it will stay unsure'}"


def doubt_of(view: View, loop: Loop) -> str:
    """Return the doubt about a call that waits, in the words of the log: that it is unsure, or that the
    number of its dose is unclear. "" where there is none, and where it was read back."""
    if loop.unsure:
        return UNSURE_WORDS
    if loop.number_unclear and loop.status == "closed":
        return UNCLEAR_WORDS
    if loop.status != "open" or "amount" not in loop.slots:
        return ""  # of a read-back that differs both numbers stand there
    said = utterance_of(view.log, loop.fact)
    if said is None or "amended" in said.flags:
        return ""
    return UNCLEAR_WORDS if "sounds-like" in said.flags else ""


def heard_up_to(view: View) -> str:
    """Return up to which moment sound has been heard, in words, while hearing lags; else ""."""
    at = view.heard_up_to
    return "" if at is None else f"heard up to {clock(at)}: later calls are not known yet"


def put_right(protocol: Protocol, view: View, fact: int) -> str:
    """Return a sentence on the outcome of an utterance that a person has put right."""
    said = utterance_of(view.log, fact)
    if said is None or said.role == "unrecognised":
        return f"no call of the protocol now, it counts for nothing: {heard(said.text if said else '')}"
    words = utterance_in_words(protocol, said)
    if "no call" in said.flags:
        return f"answers nothing that is open: {words}"
    return f"{'still unsure' if said.unsure else 'put right'}: {words}"


def slots_in_words(
    protocol: Protocol, call_id: str, slots: Slots, only: Iterable[str] | None = None
) -> str:
    """Return the slots in words; `only` keeps those named, an amount and its unit together."""
    kept = set(slots) if only is None else set(only)
    if kept & {"amount", "unit"}:
        kept |= {"amount", "unit"}
    shown = {name: value for name, value in slots.items() if name in kept}
    call = protocol.calls.get(call_id)
    words = _dose_words(protocol, shown)
    others = {name: value for name, value in shown.items() if name not in _WORDED}
    if call is not None and call.vital is not None and others:
        values = "/".join(_plain(value) for value in others.values())
        return " ".join([*words, f"{values} {clean(call.vital.unit)}"])
    return " ".join([*words, *(_slot(protocol, call, *item) for item in others.items())])


def _dose_words(protocol: Protocol, slots: Slots) -> list[str]:
    words = []
    if "drug" in slots:
        words.append(drug(protocol, str(slots["drug"])))
    if "amount" in slots:
        words.append(_plain(slots["amount"]))
    if "unit" in slots:
        words.append(_plain(slots["unit"]))
    return words


def _slot(protocol: Protocol, call: Call | None, name: str, value: SlotValue) -> str:
    if isinstance(value, str):
        return _listed(protocol, call, name, value)
    if name.endswith("_s"):
        return duration(value)
    unit = _SLOT_UNITS.get(name)
    return f"{number(value)} {unit}" if unit else number(value)


def _listed(protocol: Protocol, call: Call | None, name: str, value: str) -> str:
    """Return the title of a list's value; where it has none, its id as words."""
    lists = protocol.lists.get(call.slots.get(name, "")) if call else None
    for entry in lists.values if lists else ():
        if entry.id == value and entry.title:
            return clean(entry.title)
    return clean(value).replace("-", " ")


def _plain(value: SlotValue) -> str:
    return clean(value) if isinstance(value, str) else number(value)


def called_and_read_back(
    protocol: Protocol, call_id: str, called: Slots, said: Slots
) -> tuple[str, str]:
    """Return the called and the read-back values of the slots that the read-back got wrong."""
    names = [name for name in said if name in called and called[name] != said[name]] or list(said)
    return (
        slots_in_words(protocol, call_id, called, names) or "nothing",
        slots_in_words(protocol, call_id, said, names) or "nothing",
    )


def bar(fraction: float, width: int) -> str:
    """Return a bar of `width` text blocks of which `fraction` (0 to 1) is full, to an eighth of a
    block."""
    eighths = round(max(0.0, min(1.0, fraction)) * width * 8)
    full, part = divmod(eighths, 8)
    return ("█" * full + (" ▏▎▍▌▋▊▉"[part] if part else "")).ljust(width, "·")


def level(dbfs: float | None, width: int = 8, floor: float = -60.0) -> str:
    """Return the input level as a bar from `floor` dBFS to full scale, with a word for it."""
    if dbfs is None or not math.isfinite(dbfs):
        return f"{'·' * width} no sound"
    word = "TOO LOUD" if dbfs > LOUD_DBFS else "a voice" if dbfs >= QUIET_DBFS else "quiet"
    return f"{bar((dbfs - floor) / -floor, width)} {word:<8}"
