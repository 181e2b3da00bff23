"""That was heard: an open call gets its answer from the person who heard it."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.loops import Loop, LoopState
from grammar.case.view import Utterance, View
from tui.dashboard.dialogs.dialog import Dialog, Line, choice
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.wording import (
    NOBODY_NAMED,
    STATE_MARKS,
    STATE_WORDS,
    UNCLEAR_WORDS,
    called_and_read_back,
    clock,
    doubt_of,
    state_in_words,
    station,
    waiting_in_words,
)

MOST = 9
NUMBER_STAYS = "number unclear: it stays so, this says only that an answer was heard"


class AnsweredDialog(Dialog):
    """The calls that waited when it was opened, as they stand now: numbers do not move under the
    fingers. One that was read back otherwise is taken at a second press only."""

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        view_now: Callable[[], View],
        loop: int | None = None,
    ) -> None:
        """`loop` is chosen already where it was clicked."""
        super().__init__(keys)
        self._manual = manual
        self._view_now = view_now
        waiting = [each.id for each, _ in view_now().waiting]
        self._listed = waiting[:MOST]
        if loop in waiting and loop not in self._listed:
            self._listed[-1] = loop
        self._at = self._listed.index(loop) if loop in self._listed else 0
        self._warned: int | None = None
        """The call of which it was said that it was read back otherwise."""
        self._when: Typed | None = None
        """The time that is being written; None while a call is chosen."""
        self._time = ""
        """The time that was written; "" for the moment at which something was heard."""
        self._at_s: float | None = None
        """That time, seconds on the case's clock; None where none was written."""
        self._chosen: int | None = None
        """The call with a drug that was chosen by its number, and takes Enter."""
        self._stood = ""
        """The words of `to_read` at the last look."""

    @property
    def writes(self) -> bool:
        return self._when is not None

    @property
    def to_read(self) -> str:
        found = self._now().get(self._listed[self._at]) if self._when is None else None
        if found is None:
            return ""
        loop, state = found
        moment = self._moment(loop)
        # An answer heard now is stored as of now, whenever that is.
        when = "now" if moment == self._view_now().now else clock(moment)
        chosen = self._at == self._chosen
        return f"{loop.id} {state} {self._words(loop)} {when} {chosen} {self.error}"

    def look(self) -> bool:
        """Return whether a call was answered, or its window passed, since it was drawn."""
        before, self._stood = self._stood, self.to_read
        return before != self._stood

    def press(self, key: str, character: str | None) -> None:
        if self._when is not None:
            self._write(key, character)
            return
        warned, self._warned = self._warned, None
        if key == self.keymap.of("enter-who"):
            self._when = Typed(self._time)
        elif key in ("down", "up"):
            self._at = (self._at + (1 if key == "down" else -1)) % len(self._listed)
        elif key == "enter":
            self.after_reading()
            self._chosen = self._at
            self._take(self._at, warned)
        elif character and character in "123456789"[: len(self._listed)]:
            self._number(int(character) - 1, warned)
        elif character:
            raise ValueError(f"choose 1 to {len(self._listed)}")

    def _write(self, key: str, character: str | None) -> None:
        assert self._when is not None
        if key == "enter":
            text = self._when.text.strip()
            # Resolved once: what is read is what will be stored.
            at = self._manual.past(text) if text else None
            called = [loop.opened for loop, _ in self._listed_now()]
            if called and (why := _too_early(at, min(called))):
                raise ValueError(why)
            self._at_s = at
            self._time, self._when = text, None
        else:
            self._when.press(key, character)

    def _moment(self, loop: Loop) -> float:
        """Return when the answer was: as written, else the moment at which something that may have been
        the answer was heard within the call's window, else now."""
        view = self._view_now()
        if self._at_s is not None:
            return self._at_s
        heard = (line.utterance for line in view.log if line.utterance)
        unclear = [
            said.t
            for said in heard
            if loop.asked <= said.t <= min(loop.deadline, view.now) and _may_answer(said, loop)
        ]
        return unclear[0] if unclear else view.now

    def choose(self, at: int) -> None:
        """Take one call for answered."""
        self._number(at, self._warned)

    def _number(self, at: int, warned: int | None) -> None:
        """Take a call by its number; one with a drug is seen with its time first, and takes Enter."""
        found = self._now().get(self._listed[at])
        if found:
            self._hold_to_call(found[0])
        if (
            found
            and {"drug", "amount"} & set(found[0].slots)
            and found[1]
            in (
                "open",
                "unheard",
                "unknown",
                "unanswered",
                "answered",
            )
        ):
            self._at = self._chosen = at
            return
        self._take(at, warned)

    def _take(self, at: int, warned: int | None) -> None:
        self._at = at
        found = self._now().get(self._listed[at])
        if found is None or found[1] in ("closed", "withdrawn"):
            state = found[1] if found else "withdrawn"
            raise ValueError(f"that call is {STATE_WORDS[state]} already")
        loop, state = found
        self._hold_to_call(loop)
        otherwise = self._otherwise(loop, state)
        if otherwise and warned == loop.id:
            self._warned = warned  # a key that is held down, or struck twice, has read nothing
            self.after_reading()
        if otherwise and warned != loop.id:
            self._warned = loop.id
            called, said = otherwise
            raise ValueError(
                f"{said} was read back, against {called}: {at + 1} or Enter again only if"
                f" {called} was read back after all"
            )
        when = self._moment(loop)
        self._manual.heard(loop.id, when)
        though = f", after {otherwise[1]} was read back" if otherwise else ""
        stored = self._now().get(loop.id)
        unclear = stored is not None and stored[0].number_unclear
        still = ": its number stays unclear until a digit settles it" if unclear else ""
        self.dismiss(f"answer heard at {clock(when)}{though}: {self._words(loop)}{still}")

    def _hold_to_call(self, loop: Loop) -> None:
        """Refuse a written time that lies before the call. Raises ValueError."""
        if why := _too_early(self._at_s, loop.opened):
            raise ValueError(why)

    def _listed_now(self) -> list[tuple[Loop, LoopState]]:
        loops = self._now()
        return [loops[each] for each in self._listed if each in loops]

    def lines(self) -> Iterable[Line]:
        if self._when is not None:
            yield self.heading("WHEN WAS THAT?", "90s or 2m ago, 3:25, or the time of day; Enter")
            yield Content.assemble(self._when.picture(), (f"   {self._read_time()}", "$quiet"))
            return
        tab = self.keymap.shown("enter-who")
        yield self.heading(
            "AN ANSWER WAS HEARD", f"number of the call that was answered  {tab}: when"
        )
        loops, now = self._now(), self._view_now().now
        for at, (loop, state) in ((i, loops[x]) for i, x in enumerate(self._listed) if x in loops):
            age, chosen = clock(loop.age(now)), at == self._at
            stands = state_in_words(self._manual.protocol, loop.call, state)
            text = f"{STATE_MARKS[state]} {stands} {age}  {self._words(loop)}"
            yield choice(str(at + 1), text, "choose", at, chosen=chosen)
            if chosen and (why := _too_early(self._at_s, loop.opened)):
                yield Content.styled(f"     {why}", "bold $urgent")
            elif chosen:
                when = self._manual.in_words(self._moment(loop))
                again = ": Enter stores it" if at == self._chosen else ""
                yield Content.styled(f"     answered {when}{again}", "$quiet")
                if doubt_of(self._view_now(), loop) == UNCLEAR_WORDS:
                    yield Content.styled(f"     {NUMBER_STAYS}", "bold $urgent")
            otherwise = self._otherwise(loop, state)
            if otherwise:
                yield choice("", f"  read back {otherwise[1]}", "choose", at)

    def _read_time(self) -> str:
        """Return the moment that Enter would give the written time."""
        text = self._when.text.strip() if self._when else ""
        return self._manual.read_as(text) if text else ""

    def _now(self) -> dict[int, tuple[Loop, LoopState]]:
        """By id. An utterance that its speaker went on with may be no call any more."""
        return {loop.id: (loop, state) for loop, state in self._view_now().loops}

    def _otherwise(self, loop: Loop, state: LoopState) -> tuple[str, str] | None:
        """Return the call and its read-back side by side, of a call that differs."""
        if state != "differs" or loop.differing is None:
            return None
        return called_and_read_back(self._manual.protocol, loop.call, loop.slots, loop.differing)

    def _words(self, loop: Loop) -> str:
        protocol = self._manual.protocol
        to = station(protocol, loop.to) or NOBODY_NAMED
        words = waiting_in_words(protocol, loop.call, loop.slots)
        return f"{words} → {to}"


def _too_early(at: float | None, called: float) -> str:
    """Return that no answer comes before its call, where a written time `at` says so; else "". Both in
    seconds."""
    if at is None or at >= called:
        return ""
    return (
        f"{clock(at)} is before that call, which was at {clock(called)}: no answer comes so early"
    )


def _may_answer(said: Utterance, loop: Loop) -> bool:
    """Return whether an utterance that closed nothing may have answered a call: it was not understood, or
    heard with doubt and neither a call of its own nor an answer to another."""
    if said.role == "unrecognised":
        return True
    return said.unsure and said.role != "call" and said.loop in (None, loop.id)
