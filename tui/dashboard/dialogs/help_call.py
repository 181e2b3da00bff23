"""A possible call for help: a person says yes or no, and no other key settles it."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual.content import Content

from grammar.case.utterance_step import POSSIBLE_HELP
from grammar.case.view import Utterance, View
from grammar.language.other_readings import Guesses
from tui.dashboard.dialogs.dialog import Dialog, Line, clickable
from tui.dashboard.keys import KeyMap
from tui.dashboard.manual_entry import ManualEntry
from tui.text.wording import POSSIBLE_HELP_WORDS, clean, clock, put_right, station


def may_be_for_help(said: Utterance) -> bool:
    """Return whether an utterance may be a call for help that nobody has settled."""
    return POSSIBLE_HELP in said.flags


def help_words(said: Utterance) -> str:
    """Return the likeliest words of a possible call for help."""
    return clean(said.likely or said.text)


def settle_help(
    manual: ManualEntry,
    guesses: Guesses,
    view_now: Callable[[], View],
    *,
    said: Utterance,
    yes: bool,
) -> str:
    """Store whether help was called, and return a sentence on it."""
    if yes and said.meaning.kind != "unrecognised":
        manual.accept(said.fact)
        return f"yes, help was called at {clock(said.t)}: {help_words(said)}"
    if yes:
        manual.amend(said.fact, guesses.for_help(said.text, said.likely).words)
        told = put_right(manual.protocol, view_now(), said.fact)
        return f"yes, help was called at {clock(said.t)}; {told}"
    if said.meaning.kind == "unrecognised":
        manual.accept(said.fact)
    else:
        manual.withdraw(said.fact)
    return f"no, no call for help at {clock(said.t)}: {help_words(said)}"


def help_choices(keys: KeyMap) -> Iterable[Line]:
    """Yield the two answers with their keys."""
    answers = (
        ("help-yes", "YES, help was called", "help_called", 1),
        ("help-no", "NO, this was no call for help", "help_called", 0),
    )
    for key, words, does, yes in answers:
        line = Content.assemble((f"{keys.shown(key)}  ", "bold $heading"), (words, "bold $ink"))
        yield clickable(line, does, yes)


class HelpCallDialog(Dialog):
    """Asks whether possible calls for help were ones, the oldest first; the next one follows at once."""

    def __init__(
        self,
        keys: KeyMap,
        manual: ManualEntry,
        guesses: Guesses,
        view_now: Callable[[], View],
    ) -> None:
        super().__init__(keys)
        self._manual, self._guesses, self._view_now = manual, guesses, view_now
        self._said = view_now().possible_help[0]

    def press(self, key: str, character: str | None) -> None:
        yes, no = self.keymap.of("help-yes"), self.keymap.of("help-no")
        if key in (yes, no):
            self.help_called(int(key == yes))
        elif character or key == "enter":
            raise ValueError(
                f"{self.keymap.shown('help-yes')} or {self.keymap.shown('help-no')}:"
                " was help called?"
            )

    def help_called(self, yes: int) -> None:
        """It was a call for help, or none. Raises ValueError where somebody settled it meanwhile."""
        if self._said.fact not in {each.fact for each in self._view_now().possible_help}:
            raise ValueError("that was settled meanwhile")
        self.dismiss(
            settle_help(self._manual, self._guesses, self._view_now, said=self._said, yes=bool(yes))
        )

    def lines(self) -> Iterable[Line]:
        said, count = self._said, len(self._view_now().possible_help)
        more = f"  ({count - 1} more after this)" if count > 1 else ""
        yield self.heading(f"{POSSIBLE_HELP_WORDS}: was help called?{more}")
        speaker = station(self._manual.protocol, said.sender)
        who = f"{speaker}: " if speaker else ""
        yield Content.styled(f"{clock(said.t)} {who}“{help_words(said)}”", "bold $ink")
        yield from help_choices(self.keymap)
