"""One table of keys: the bindings, the footer and the help screen are made from it.

A settings file may give any of them another key (see `settings.py`); two in one place never share one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from textual.binding import Binding
from textual.keys import Keys as KeyNames
from textual.keys import _character_to_key

Place = Literal["dashboard", "put right", "timers", "enter", "card", "leave"]
"""Where a key counts: on the dashboard, or while one of its dialogs is open."""

UNSURE_ITEMS = 3
"""Utterances in the unsure strip that have keys of their own."""


@dataclass(frozen=True, slots=True)
class Key:
    """One thing a key does. `id` is its name in the settings file."""

    id: str
    key: str
    """The character, or Textual's name of the key."""
    short: str
    """In the footer; empty where another entry speaks for it."""
    what: str
    """In the help."""
    action: str = ""
    """The dashboard's action; empty for a dialog's own keys."""
    place: Place = "dashboard"


def _unsure(item: int) -> Iterator[Key]:
    first, second = str(2 * item + 1), str(2 * item + 2)
    name = ("first", "second", "third")[item]
    foot = "unsure" if item == 0 else ""
    where = " (the strip UNSURE, above the log)" if item == 0 else ""
    yield Key(
        f"unsure-{first}",
        first,
        foot,
        f"{name} unsure{where}: as it was heard; Enter",
        f"guess({item}, 0)",
    )
    yield Key(
        f"unsure-{second}",
        second,
        "",
        f"{name} unsure: the second guess, or other words; Enter",
        f"guess({item}, 1)",
    )


TABLE: tuple[Key, ...] = (
    Key("help", "?", "help", "this help; again, or Esc: away", "help"),
    Key("call", "c", "call", "enter a call: its letter, its value, Enter", "call"),
    Key("vital", "v", "vital", "enter a vital sign: its letter, the value, Enter", "vital"),
    Key("weight", "w", "", "enter or put right the patient's weight in kg, Enter", "weight"),
    Key("heard", "h", "heard", "an open call was answered, that was heard: its number", "heard"),
    *(key for item in range(UNSURE_ITEMS) for key in _unsure(item)),
    Key(
        "unsure-rest",
        "7",
        "",
        "unsure that the strip has no room for: one after the other",
        "guess_rest",
    ),
    Key(
        "help-called",
        "f",
        "",
        "a possible call for help: yes, help was called, or no",
        "help_called",
    ),
    Key(
        "amend",
        "a",
        "put right",
        "put right the newest utterance: number of what was said",
        "amend",
    ),
    Key(
        "speaker",
        "s",
        "who",
        "say who spoke the newest utterance, or the found one: letter",
        "speaker",
    ),
    Key(
        "same-speaker",
        "=",
        "",
        "the newest utterance was spoken by who spoke just before it",
        "same_speaker",
    ),
    Key(
        "say-again",
        "y",
        "",
        "say the most urgent open call aloud: needs --speak and a loudspeaker",
        "say_again",
    ),
    Key("note", "n", "note", "write a note, Enter", "note"),
    Key("mark", "m", "mark", "mark this moment for the debrief", "mark"),
    Key("timers", "t", "timer", "start, stop or extend a timer", "timers"),
    Key("tick", "k", "tick", "tick checklist items: a letter each; Esc leaves", "tick"),
    Key("play", "p", "play", "play the last ten seconds again", "play"),
    Key("record", "r", "rec", "pause the recording, or take it up again", "record"),
    Key("undo", "u", "undo", "take back the last thing done by hand", "undo"),
    Key("handover", "o", "hand", "the handover so far, to read out", "handover"),
    Key("theme", "d", "look", "look: dark room, bright corridor, high contrast", "theme"),
    Key("quit", "q", "quit", "end the case (asks first)", "leave"),
    Key(
        "card",
        "j",
        "",
        "somebody joins: reads a card, the case goes on; again: skip, end",
        "card",
    ),
    Key("find", "/", "", "find in the log: words; Tab: drugs only, or one station", "find"),
    Key("log-up", "up", "log", "log: up one line", "log(-1)"),
    Key("log-down", "down", "", "log: down one line", "log(1)"),
    Key("page-up", "pageup", "", "log: up one page", "page(-1)"),
    Key("page-down", "pagedown", "", "log: down one page", "page(1)"),
    Key("log-start", "home", "", "log: to the first line", "log(-1000000)"),
    Key("log-end", "end", "", "log: follow the newest line", "follow"),
    Key("close", "escape", "", "leave a dialog or the help", "close"),
    Key("words", "e", "", "write what was really said, Enter", place="put right"),
    Key("accept", "a", "", "it is right as it stands", place="put right"),
    Key("withdraw", "w", "", "it was not said: take it out", place="put right"),
    Key("who", "s", "", "say who spoke: letter", place="put right"),
    Key("help-yes", "y", "", "a possible call for help: yes, help was called", place="put right"),
    Key("help-no", "n", "", "a possible call for help: no, it was none", place="put right"),
    Key("older", "up", "", "the utterance before", place="put right"),
    Key("newer", "down", "", "the utterance after", place="put right"),
    Key("timer-start", "n", "", "start one: how long, Enter", place="timers"),
    Key("timer-stop", "s", "", "stop the one chosen", place="timers"),
    Key("timer-extend", "e", "", "one minute more for the one chosen", place="timers"),
    Key("timer-next", "down", "", "choose the next", place="timers"),
    Key("timer-before", "up", "", "choose the one before", place="timers"),
    Key("card-yes", "y", "", "who joins says yes to being known by voice", place="card"),
    Key("card-skip", "s", "", "skip this sentence of the card", place="card"),
    Key("card-end", "e", "", "end the card", place="card"),
    Key("enter-back", "backspace", "", "one step back, where nothing is typed", place="enter"),
    Key(
        "enter-who",
        "tab",
        "",
        "for whom: letter; twice: who made it; three times: when",
        place="enter",
    ),
    Key(
        "leave-wait",
        "w",
        "",
        "while hearing lags: no more sound, the rest is heard, then the case ends",
        place="leave",
    ),
)
"""Every key there is. Besides, letters and numbers shown in a dialog choose what stands beside them."""

LOOKING = frozenset(
    ["help", "handover", "theme", "quit", "close", "find"]
    + [f"log-{way}" for way in ("up", "down", "start", "end")]
    + ["page-up", "page-down"]
)
"""Keys of a screen that only shows the case."""

SPEAKING = frozenset({"say-again"})
"""Keys that are offered only where sentences can be said aloud."""

IDS = frozenset(key.id for key in TABLE)

JOINING = frozenset({"card", "card-yes", "card-skip", "card-end"})
"""Keys that are offered only where a microphone hears the case."""

_BESIDE = {
    "help": ("close",),
    "vital": ("weight",),
    "heard": ("help-called",),
    "speaker": ("same-speaker", "card"),
    "play": ("say-again",),
}
"""Keys that share the word of another in the footer."""

_SHOWN = {
    "up": "↑",
    "down": "↓",
    "pageup": "PgUp",
    "pagedown": "PgDn",
    "home": "Home",
    "end": "End",
    "escape": "Esc",
    "backspace": "Backspace",
    "enter": "Enter",
    "space": "Space",
    "tab": "Tab",
}
_NAMES = frozenset(
    name.value for name in KeyNames if not name.value.startswith("<") and len(name.value) > 1
)


def textual_name(key: str) -> str:
    """Textual's name for a key given as a character or a name. Raises ValueError for no key."""
    if len(key) == 1 and key.isprintable():
        return _character_to_key(key)
    if key.lower() in _NAMES:
        return key.lower()
    raise ValueError(f'"{key}" is no key: write one character, or a name such as "f5" or "ctrl+t"')


def shown(key: str) -> str:
    """Return a key as people read it."""
    return _SHOWN.get(key, key if len(key) == 1 else key.title())


class KeyMap:
    """The table of keys, with those that one user chose."""

    def __init__(self, changed: Mapping[str, str] | None = None) -> None:
        """`changed` gives some ids other keys. Raises ValueError for an unknown id, for what is no
        key, and where two in one place would share one."""
        changed = changed or {}
        for name in changed:
            if name not in IDS:
                raise ValueError(f'no key is called "{name}": use {", ".join(k.id for k in TABLE)}')
        self.keys = {key.id: changed.get(key.id, key.key) for key in TABLE}
        taken: dict[tuple[Place, str], str] = {}
        for key in TABLE:
            chosen = self.keys[key.id]
            if key.place != "dashboard" and (
                chosen.isdigit() or (key.place == "enter" and len(chosen) == 1)
            ):
                raise ValueError(f'"{chosen}" chooses or writes there: give {key.id} another key')
            # Leaving works everywhere, so its key is taken everywhere; quit answers its own question.
            everywhere = {"close": get_args(Place), "quit": (key.place, "leave")}
            for place in everywhere.get(key.id, (key.place,)):
                other = taken.setdefault((place, textual_name(chosen)), key.id)
                if other != key.id:
                    raise ValueError(
                        f'"{chosen}" would be both {other} and {key.id}: give one of them another key'
                    )

    def of(self, key_id: str) -> str:
        """Return the key's name as Textual sends it."""
        return textual_name(self.keys[key_id])

    def is_stray_capital(self, key: str, character: str | None) -> bool:
        """Return whether a key, by the name that Textual sends, is a capital letter that no user has
        chosen.
        """
        chosen = (textual_name(each) for each in self.keys.values())
        return (character or "").isupper() and key not in chosen

    def shown(self, key_id: str) -> str:
        """Return the key as people read it."""
        return shown(self.keys[key_id])

    def bindings(self) -> list[Binding]:
        """Return the dashboard's keys for Textual.

        With priority they are taken by the application as they come, in order: others wait for the screen,
        and a key struck soon after one that opens a dialog would be lost.
        """
        return [
            Binding(self.of(key.id), key.action, key.what, show=False, priority=True)
            for key in TABLE
            if key.action
        ]

    def foot(self, only: frozenset[str] = IDS, *, short: bool = False) -> list[tuple[str, str]]:
        """(key, word) pairs of the footer, of `only` these. Keys that belong together share one word; in
        short, those that scroll by pages are left to the help."""
        pairs = []
        for key in TABLE:
            if key.place != "dashboard" or not key.short or key.id not in only:
                continue
            shown_key = self.shown(key.id)
            if key.id == "unsure-1":
                names = [*(str(n + 1) for n in range(2 * UNSURE_ITEMS)), "rest"]
                digits = [self.shown(f"unsure-{name}") for name in names]
                plain = digits == [str(n + 1) for n in range(len(digits))]
                shown_key = f"{digits[0]}-{digits[-1]}" if plain else "/".join(digits)
            elif key.id == "log-up":
                ways = ("up", "down", *(() if short else ("page-up", "page-down", "start")), "end")
                others = [way if "-" in way else f"log-{way}" for way in ways]
                shown_key = " ".join(self.shown(each) for each in ("find", *others))
                shown_key = shown_key.replace("↑ ↓", "↑↓").replace("PgUp PgDn", "Pg↑↓")
            else:
                beside = [self.shown(one) for one in _BESIDE.get(key.id, ()) if one in only]
                shown_key = " ".join([shown_key, *beside])
            pairs.append((shown_key, key.short))
        return pairs

    def rows(self, place: Place, only: frozenset[str] = IDS) -> list[tuple[str, str]]:
        """(key, what it does) of every key in a place, of `only` these, for the help."""
        return [
            (self.shown(key.id), key.what) for key in TABLE if key.place == place and key.id in only
        ]
