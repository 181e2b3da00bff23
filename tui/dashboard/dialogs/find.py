"""Finds lines in the log: by words, those with a drug, those of one station."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from textual.content import Content

from grammar.case.view import LogLine, View
from grammar.protocol.model import Protocol
from tui.dashboard.dialogs.dialog import Dialog, Line, clickable
from tui.dashboard.dialogs.typed import Typed
from tui.dashboard.keys import KeyMap
from tui.dashboard.widgets.log import speakers, words_of
from tui.text.wording import CHOSEN, clock, heard, role_in_words

EVERYTHING, DRUGS = "all lines", "drugs only"


class FindDialog(Dialog):
    """Narrows the log down while somebody types; Enter goes to the line that is chosen."""

    def __init__(
        self,
        keys: KeyMap,
        protocol: Protocol,
        view_now: Callable[[], View],
        go_to: Callable[[int], None],
    ) -> None:
        """`go_to` shows the log line of a fact."""
        super().__init__(keys)
        self._protocol = protocol
        self._view_now = view_now
        self._go_to = go_to
        self._typed = Typed()
        self._only = [EVERYTHING, DRUGS, *(each.title for each in protocol.station)]
        self._chosen = 0
        """Of the lines found, counted from the newest."""

    @property
    def writes(self) -> bool:
        return True

    def press(self, key: str, character: str | None) -> None:
        match key:
            case "tab":
                self._only, self._chosen = [*self._only[1:], self._only[0]], 0
            case "up":
                self._chosen = min(self._chosen + 1, max(len(self._found()) - 1, 0))
            case "down":
                self._chosen = max(self._chosen - 1, 0)
            case "enter":
                self._enter()
            case _:
                if self._typed.press(key, character):
                    self._chosen = 0

    def paste(self, text: str) -> None:
        """Pasted text is typed text."""
        self.act(lambda: self._typed.add(text))

    def take(self, fact: int) -> None:
        """Go to the line of a fact."""
        self._go_to(fact)
        self.dismiss(None)

    def lines(self) -> Iterable[Line]:
        yield self.heading("FIND IN THE LOG", "↑↓ Enter goes there")
        yield from self._typed.picture().wrap(self.room)
        yield Content.assemble(
            ("shown: ", "$quiet"),
            (self._only[0], "bold $ink"),
            ("   Tab: ", "bold $heading"),
            (self._next, "$quiet"),
        )
        found = self._found()
        if not found:
            yield Content.styled("no line has that", "$quiet")
            return
        rows = max(self.most_rows - 6, 1)
        hides = len(found) > rows
        if hides:
            rows = max(rows - 1, 1)
        last = max(self._chosen + 1, min(rows, len(found)))
        if hides:
            above, below = len(found) - last, max(last - rows, 0)
            hidden = f"{len(found)} lines: {above} above, {below} below (↑↓)"
            yield Content.styled(hidden, "bold $ink")
        for at in reversed(range(max(last - rows, 0), last)):
            line = found[at]
            mark = CHOSEN if at == self._chosen else " "
            text = f"{mark}{clock(line.t):>5} {self._words(line)}"
            shown = Content(text).truncate(self.room, ellipsis=True)
            yield clickable(
                shown.stylize("bold $ink" if at == self._chosen else "$ink"), "take", line.fact
            )

    @property
    def _next(self) -> str:
        """The lines that Tab would show, in words."""
        after = self._only[1]
        return after if after in (EVERYTHING, DRUGS) else f"only {after}"

    def _enter(self) -> None:
        found = self._found()
        if not found:
            raise ValueError("no line has that")
        self.take(found[min(self._chosen, len(found) - 1)].fact)

    def _found(self) -> Sequence[LogLine]:
        """Return the lines that hold all words typed, the newest first."""
        wanted = self._typed.text.casefold().split()
        log = sorted(self._view_now().log, key=lambda line: line.t, reverse=True)
        return [
            line
            for line in log
            if self._belongs(line) and _holds(f"{clock(line.t)} {self._words(line)}", wanted)
        ]

    def _belongs(self, line: LogLine) -> bool:
        only, said = self._only[0], line.utterance
        if only == EVERYTHING:
            return True
        if said is None:
            return False
        if only == DRUGS:
            return any("drug" in reading.slots for reading in said.meaning.readings) or (
                "drug" in said.slots
            )
        ids = {each.id for each in self._protocol.station if each.title == only}
        return said.sender in ids or said.to in ids

    def _words(self, line: LogLine) -> str:
        said = line.utterance
        if said is None:
            return f"{line.kind} {line.text}"
        likely = said.role == "unrecognised" and said.likely
        text = heard(said.likely) if likely else words_of(self._protocol, line)
        return f"{role_in_words(self._protocol, said)} {speakers(self._protocol, said)}{text}"


def _holds(text: str, wanted: Sequence[str]) -> bool:
    """Return whether a text holds every word that was typed, or what was typed of it."""
    return all(each in text.casefold() for each in wanted)
