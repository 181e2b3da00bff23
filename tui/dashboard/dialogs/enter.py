"""The palette: a call by its letter, then its values one by one. The last one enters it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from textual.content import Content

from grammar.case.view import View
from grammar.language.meaning import SlotValue
from grammar.protocol.model import Call
from tui.dashboard import call_entry as entry
from tui.dashboard.call_entry import Step
from tui.dashboard.dialogs.dialog import Dialog, Line, choice, clickable, columns
from tui.dashboard.dialogs.drug_lines import drug_lines
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.dialogs.who_and_when import WhoAndWhen
from tui.dashboard.entry_doubts import far_vital, given_already, no_drug, sheet_doubt
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.wording import call_in_words, clean, told_apart


class EnterDialog(Dialog):
    """Enters a call of the protocol, or one of some of its calls."""

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        calls: Sequence[Call],
        *,
        what: str = "ENTER A CALL",
        only: Call | None = None,
        own_timer: bool = False,
        view_now: Callable[[], View] | None = None,
    ) -> None:
        """`only` goes straight to the values of one call; with `own_timer` nobody has to answer it.
        `view_now` gives the case, by whose weight the sheet judges a dose and whose doses are not told
        twice; None where no dose is entered."""
        super().__init__(keys)
        self._manual = manual
        self._what = what
        # Letters come from the whole protocol, so that they are the same wherever a call is entered.
        whole = entry.in_order(manual.protocol.call)
        named = dict(
            zip((c.id for c in whole), entry.letters([c.title for c in whole]), strict=True)
        )
        found = [(named[call.id], call) for call in whole if call in calls]
        # A call for help stands first and in sight, but no Enter alone takes it.
        self._calls = sorted(found, key=lambda pair: not pair[1].help)
        self._first = sum(1 for _, call in found if call.help) % max(len(found), 1)
        self._at: int | None = self._first
        """The mark in a list, which Enter takes; None where nothing is marked."""
        self._untaken = ""
        """Characters typed where only Enter is taken, since the call was last seen."""
        self._none_named = False
        """Whether the key before was an Enter that named no drug."""
        self._own_timer = own_timer
        self._view_now = view_now
        self._who = WhoAndWhen(keys, manual)
        self._call: Call | None = None
        self._steps: list[Step] = []
        self._slots: list[list[tuple[str, SlotValue]]] = []
        self._typed = Typed()
        if only is not None:
            self._begin(only)

    # ------------------------------------------------------------------ keys

    @property
    def writes(self) -> bool:
        if self._who.asks or self._call is None:
            return self._who.asks == "when"
        return len(self._slots) < len(self._steps) and self._step.kind != "choice"

    @property
    def to_read(self) -> str:
        stands = self._call is not None and len(self._slots) == len(self._steps)
        if self._who.asks or not stands or not self._at_stake:
            return ""
        return f"{self._words()} {self.error}"

    def press(self, key: str, character: str | None) -> None:
        none_named, self._none_named = self._none_named, False
        if key == self.keymap.of("enter-who") and not self._own_timer:
            self._who.ask_next()
        elif self._who.asks:
            self._press_who(key, character)
        elif key == self.keymap.of("enter-back") and not self._typed.text and self._call:
            self._back()
        elif self._call and len(self._slots) == len(self._steps):
            self._press_stored(key, character)
        elif self._call is None:
            self._press_choice(key, character, [letter for letter, _ in self._calls])
        elif self._step.kind == "choice":
            self._press_choice(key, character, self._letters(), none_named=none_named)
        elif key == "enter":
            self._enter()
        else:
            self._typed.press(key, character)

    def _press_stored(self, key: str, character: str | None) -> None:
        """A key where all is said and Enter stores it."""
        if key == "enter":
            self.after_reading()
            self.seen()
        elif character and character.isprintable():
            self._untaken += clean(character)
            back = self.keymap.shown("enter-back")
            raise ValueError(
                f'"{self._untaken}" is not taken: Enter stores what stands here, {back} goes a step back'
            )

    def seen(self) -> None:
        """Store what was seen; what is odd about it is told first, once. Raises ValueError."""
        untaken = f'"{self._untaken}" was typed and is not in it' if self._untaken else ""
        # That a vital sign is odd is why it stands here at all: it was read, and one Enter is enough.
        doubts = "; ".join(filter(None, (untaken, "" if self._is_vital else self._doubt())))
        self.ask_again(doubts, f"{untaken}. " if untaken else "")
        self.store()

    def _press_who(self, key: str, character: str | None) -> None:
        if not self._who.press(key, character):
            self.no_such_letter(character)

    def who(self, at: int) -> None:
        """Name a station, by its place, as the one that the call is for, or that made it."""
        self._who.choose(at)

    def _press_choice(
        self,
        key: str,
        character: str | None,
        known: Sequence[str],
        *,
        none_named: bool = False,
    ) -> None:
        if key in ("down", "up"):
            before = -1 if self._at is None and key == "down" else self._at or 0
            self._at = (before + (1 if key == "down" else -1)) % len(known)
        elif key == "enter" and self._at is None:
            self._skip(none_named)
        elif key == "enter" and self._at is not None:
            self.choose(self._at)
        elif character and character.lower() in known:
            at = known.index(character.lower())
            self.choose(at)
        elif key == self.keymap.of("enter-back") and self._call is None:
            raise ValueError(f"this is the first step: {self.keymap.shown('close')} leaves")
        else:
            self.no_such_letter(character)

    def _skip(self, none_named: bool) -> None:
        """Name none of a list that need not be named; no drug only where that is said twice."""
        if self._step.names[0] == "drug":
            self._none_named = True
            self.after_reading()
            if not none_named:
                raise ValueError(
                    "a drug is wanted: its letter, or ↑↓ and Enter; Enter again if none was named"
                )
        self._filled([])

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        if self._call and self._step.kind != "choice":
            self.act(lambda: self._typed.add(text))

    def choose(self, at: int) -> None:
        """Take a call, or one of the values of a list."""
        if self._call is None:
            self._begin(self._calls[at][1])
        else:
            self._filled([(self._step.names[0], self._step.choices[at][0])])

    def _begin(self, call: Call) -> None:
        self._call, self._steps, self._slots = call, entry.steps(self._manual.protocol, call), []
        self._go_on()

    def _go_on(self) -> None:
        self._typed, self._untaken = Typed(), ""
        self._end_or_go_on()
        self._mark_first()

    def _mark_first(self) -> None:
        """Mark the first of a list, or nothing where Enter alone says that none was named."""
        more = self._call is not None and len(self._slots) < len(self._steps)
        self._at = None if more and self._step.may_skip else 0

    def _back(self) -> None:
        self._untaken = ""
        if self._slots:
            self._slots.pop()
            self._mark_first()
        else:
            self._call, self._at = None, self._first

    def _enter(self) -> None:
        assert self._call is not None
        if not self._typed.text.strip() and self._step.may_skip:
            self._filled([])
            return
        before = dict(self._all)
        protocol = self._manual.protocol
        self._filled(
            entry.typed(protocol, self._call, self._step, text=self._typed.text, before=before)
        )

    def _filled(self, slots: list[tuple[str, SlotValue]]) -> None:
        self._slots.append(slots)
        self._go_on()

    def _end_or_go_on(self) -> None:
        # An amount belongs to a drug: who names none is asked for none.
        while len(self._slots) < len(self._steps) and (
            self._step.kind == "amount" and "drug" in self._asked and "drug" not in dict(self._all)
        ):
            self._slots.append([])
        if len(self._slots) == len(self._steps) and not self._takes_enter:
            self.store()

    def _doubt(self) -> str:
        """Return what is odd about the call, as clauses; "" where nothing is."""
        if self._view_now is None or self._call is None:
            return ""
        view, protocol, slots = self._view_now(), self._manual.protocol, dict(self._all)
        at = self._manual.clock() if self._who.at_s is None else self._who.at_s
        found = (
            no_drug(self._call, slots),
            sheet_doubt(protocol, slots, view.weight_kg),
            given_already(protocol, view.doses, self._call, slots=slots, at=at),
            far_vital(self._call, slots, view.vitals, at=at),
        )
        return "; ".join(filter(None, found))

    @property
    def _takes_enter(self) -> bool:
        """Return whether it is seen in words first and takes Enter: a drug, a dose, a vital sign far from
        the one before, and a call without a value, which a neighbouring letter alone would store otherwise.
        """
        return not self._steps or self._at_stake

    @property
    def _at_stake(self) -> bool:
        return bool(self._asked & {"drug", "amount"}) or bool(self._is_vital and self._doubt())

    @property
    def _is_vital(self) -> bool:
        return self._call is not None and self._call.vital is not None

    def store(self) -> None:
        """Store the call with its values."""
        assert self._call is not None
        try:
            if self._own_timer:
                self._manual.start_timer(self._call.id, self._all)
            else:
                self._manual.enter(
                    self._call.id,
                    self._all,
                    to=self._who.to,
                    sender=self._who.sender,
                    at=self._who.at_s,
                )
        except Exception:
            self._back()
            raise
        self.dismiss(f"entered: {self._words()}")

    # ------------------------------------------------------------------ what stands where

    @property
    def _step(self) -> Step:
        return self._steps[len(self._slots)]

    @property
    def _asked(self) -> set[str]:
        return {name for step in self._steps for name in step.names}

    @property
    def _all(self) -> list[tuple[str, SlotValue]]:
        return [pair for filled in self._slots for pair in filled]

    def _letters(self) -> list[str]:
        return entry.letters([title for _, title in self._step.choices])

    # ------------------------------------------------------------------ picture

    def lines(self) -> Iterable[Line]:
        if self._who.asks:
            yield self.heading(self._what, self._who.hint())
            yield from self._who.lines(self.room)
            return
        if self._call is None:
            who = "" if self._own_timer else f"  {self.keymap.shown('enter-who')}: for whom"
            how = "letter" if self._who.is_named else "letter, or ↑↓ and Enter"
            yield self.heading(f"{self._what}{self._who.in_words()}", f"{how}{who}")
            protocol = self._manual.protocol
            yield from self._list(
                [
                    (letter, told_apart(protocol, call.id, call.title))
                    for letter, call in self._calls
                ]
            )
            return
        if len(self._slots) == len(self._steps):
            yield self.heading(
                "WILL BE STORED", f"{self.keymap.shown('enter-back')} goes a step back"
            )
            yield clickable(Content.styled(f"  {self._words()}", "bold $ink"), "seen")
            yield from drug_lines(self._manual.protocol, dict(self._all))
            doubt = self._doubt()
            if doubt:
                yield Content.styled(f"  !! {doubt}", "bold $urgent")
            if self._manual.ended and self._who.at_s is None:
                tab = self.keymap.shown("enter-who")
                at_end = f"the case has ended: its end is the time of this; {tab} three times: when"
                yield Content.styled(at_end, "$ink")
            if self._window_is_over:
                heard = self.keymap.shown("heard")
                later = (
                    f"it waits for an answer at once as UNANSWERED: {heard} says that one was heard"
                )
                yield Content.styled(later, "$quiet")
            yield Content.styled(f"Enter stores it{self._tab_says()}", "$ink")
            return
        yield self.heading(
            f"{self._what}: {self._words()}", f"{self.keymap.shown('enter-back')} goes a step back"
        )
        skip = "; Enter alone: not said" if self._step.may_skip else ""
        if self._step.kind == "choice":
            yield Content.styled(f"which {self._step.title}?{skip}", "$ink")
            titles = [title for _, title in self._step.choices]
            yield from self._list(list(zip(self._letters(), titles, strict=True)))
            return
        yield Content.styled(f"{self._step.title}? {self._hint()}{skip}", "$ink")
        yield Content.assemble(self._typed.picture(), (f"   {self._understood()}", "$quiet"))

    def _tab_says(self) -> str:
        """Return what Tab opens, where it opens anything."""
        if self._own_timer:
            return ""
        tab = self.keymap.shown("enter-who")
        return f"   {tab}: for whom; twice: who made it; three times: when"

    @property
    def _window_is_over(self) -> bool:
        """Return whether it was called so long ago that its answer is overdue as soon as it is stored."""
        at_s = self._who.at_s
        if at_s is None or self._call is None or self._call.readback == "none":
            return False
        return self._manual.clock() - at_s >= self._manual.protocol.window(self._call.id)

    def _words(self) -> str:
        assert self._call is not None
        protocol = self._manual.protocol
        words = call_in_words(protocol, self._call.id, dict(self._all))
        return f"{told_apart(protocol, self._call.id, words)}{self._who.in_words()}"

    def _list(self, items: Sequence[tuple[str, str]]) -> list[Line]:
        found = [
            choice(letter, clean(title), "choose", at, chosen=at == self._at)
            for at, (letter, title) in enumerate(items)
        ]
        return columns(found, self.room)

    def _hint(self) -> str:
        match self._step.kind:
            case "duration":
                return "90 is seconds; 3m, 1m30, 3:00. Enter"
            case "amount":
                return f"in {self._usual_unit()}; or with its unit, as 0.1 g. Enter"
            case _:
                return f"{'/'.join(['130', '80']) if len(self._step.names) > 1 else ''} Enter"

    def _usual_unit(self) -> str:
        """Return the unit of the sheet for the drug chosen, which a bare number has."""
        sheet = self._manual.protocol.drugs.get(str(dict(self._all).get("drug", "")))
        return sheet.unit if sheet else "mg"

    def _understood(self) -> str:
        """Return the reading that Enter would give the typed text."""
        if not self._typed.text or self._call is None:
            return ""
        try:
            before = dict(self._all)
            protocol = self._manual.protocol
            slots = entry.typed(
                protocol, self._call, self._step, text=self._typed.text, before=before
            )
        except ValueError:
            return ""
        return f"= {entry.meant(self._step, slots)}"
