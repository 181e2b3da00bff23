"""The parts of a debrief, whether it becomes a page, text or a print. Every number names its facts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import KW_ONLY, dataclass
from typing import Protocol as Interface
from typing import TypeAlias

from markupsafe import Markup

from grammar.reports.measures import Share
from tui.pages.page import CAUTIONS, Page, Table


@dataclass(frozen=True, slots=True)
class Link:
    """A part of a number that was put together, and the id of the place that shows it."""

    text: str
    to: str


@dataclass(frozen=True, slots=True)
class Cell:
    """Text, and the facts it rests on by `seq`; or `link`, the id of another place on the page."""

    text: str
    facts: tuple[int, ...] = ()
    others: tuple[int, ...] = ()
    """The rest of a whole: the calls that a share did not count."""
    link: str = ""
    parts: tuple[Link, ...] = ()
    """The part of each case in a number of many."""
    more: int = 0
    """How many facts more it rests on than are named."""
    wrong: bool = False
    """It stands against what was called: to be red."""
    fraction: tuple[float, float, float] | None = None
    """A share with its interval, 0 to 1, to be drawn beside the text."""


@dataclass(frozen=True, slots=True)
class Tiles:
    """The numbers that an educator wants first: (what, number). `note` says how they are to be read."""

    tiles: tuple[tuple[str, Cell], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. Every row has as many cells as `head`."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    _: KW_ONLY
    note: str = ""
    none: str = "none"
    found: Cell | None = None
    """A sentence of figures that the whole table comes to."""
    of: int = 0
    """How many rows there are, where only the first of them were made."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing; `told` says in words what it shows, for who cannot see it."""

    title: str
    svg: Markup
    told: Cell
    note: str = ""
    wide: bool = False
    """To be scrolled sideways on a narrow screen, not shrunk."""


PERHAPS = "Not understood in that time or soon after it; one of these may have been the report:"


@dataclass(frozen=True, slots=True)
class Item:
    """A moment: where the case stood, what happened, and its sound as a data URI where wanted."""

    badge: str
    urgent: bool
    when: Cell
    text: str
    detail: str
    facts: tuple[int, ...]
    sound: str = ""
    words: tuple[str, ...] = ()
    """The words spoken, a line for each utterance."""
    question: str = ""
    """An open question to the team."""
    good: bool = False
    """It went well."""
    wrong: bool = False
    """Another value stands against the one that was called: to be red."""
    perhaps: tuple[str, ...] = ()
    """Speech that was not understood and may have been the report that is missed, a line an utterance."""


@dataclass(frozen=True, slots=True)
class Items:
    """A list of moments."""

    title: str
    items: tuple[Item, ...]
    none: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the log, the place that facts are clicked back to."""

    fact: int
    _: KW_ONLY
    when: str
    kind: str
    who: str
    text: str
    marks: str


@dataclass(frozen=True, slots=True)
class Log:
    """A list of every fact of the case."""

    title: str
    lines: tuple[Line, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Piece:
    """One counted thing of a case: when, what was said, and the keys of what it counts for."""

    when: str
    text: str
    counts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tally:
    """How many of a case's pieces count for one thing; `id` is where links go."""

    key: str
    id: str
    text: str


@dataclass(frozen=True, slots=True)
class Behind:
    """The counted things of one case among many, folded until a link leads there."""

    id: str
    _: KW_ONLY
    title: str
    about: str
    tallies: tuple[Tally, ...]
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Behinds:
    """The counted things of every case. `keys` is every key of a `Tally`."""

    title: str
    cases: tuple[Behind, ...]
    keys: tuple[str, ...]


Part: TypeAlias = Tiles | Grid | Figure | Items | Log | Behinds


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the page with a heading; `id` is where links go."""

    id: str
    title: str
    parts: tuple[Part, ...]
    intro: str = ""


class Moments(Interface):
    """The times of facts, by `seq`, as mm:ss."""

    def get(self, fact: int, otherwise: object = ...) -> object:
        """Return a fact's time as mm:ss, else `otherwise`."""


class NoFacts:
    """The times of a page whose numbers lead to other places than facts: it has none."""

    def get(self, _fact: int, otherwise: object = "") -> object:
        """Return `otherwise`."""
        return otherwise


@dataclass(frozen=True, slots=True)
class Debrief:
    """The whole page: what it is about, its sections, its moments."""

    title: str
    about: tuple[Cell, ...]
    sections: tuple[Section, ...]
    moments: Moments
    """When each fact was, for the words of a link to it: mm:ss by `seq`."""
    cautions: str = CAUTIONS


def plain(text: str) -> Cell:
    """Return a cell that rests on nothing: a name, a word."""
    return Cell(text)


def share_cell(found: Share, whole: Iterable[int] = (), between: str = "") -> Cell:
    """Return a share in words: "12 of 20, 60 % (39 to 78 %)"; `whole` are the facts of its total.

    `between` says what lies between the two ends where that is no interval.
    """
    if found.value is None:
        return Cell("none to count")
    text = (
        f"{found.count} of {found.total}, {100 * found.value:.0f} %"
        f" ({between}{100 * found.low:.0f} to {100 * found.high:.0f} %)"
    )
    counted = frozenset(found.facts)
    rest = tuple(fact for fact in whole if fact not in counted)
    return Cell(text, found.facts, rest, fraction=(found.value, found.low, found.high))


def as_page(debrief: Debrief) -> Page:
    """Return the tables and lists alone, for a terminal; its log is left to `replay`."""
    tables: list[Table] = []
    for section in debrief.sections:
        tables += [found for part in section.parts if (found := _table(section, part)) is not None]
    about = tuple(cell.text for cell in debrief.about)
    return Page(debrief.title, about, tuple(tables), debrief.cautions)


def _table(section: Section, part: Part) -> Table | None:
    match part:
        case Tiles():
            tiles = tuple((what, cell.text) for what, cell in part.tiles)
            return Table(section.title, ("", ""), tiles, note=part.note)
        case Grid():
            title = (
                section.title if part.title == section.title else f"{section.title}: {part.title}"
            )
            rows = tuple(tuple(cell.text for cell in row) for row in part.rows)
            note = f"{part.found.text if part.found else ''} {part.note}".strip()
            return Table(title, part.head, rows, note=note, none=part.none)
        case Items():
            rows = tuple((i.when.text, i.badge, " ".join(_told(i)).strip()) for i in part.items)
            return Table(part.title, ("at", "", "what"), rows, none=part.none)
        case _:
            return None


def _told(item: Item) -> Iterator[str]:
    yield item.text
    if item.detail:
        yield f"({item.detail})"
    yield from item.words
    if item.perhaps:
        yield PERHAPS
        yield from item.perhaps
    if item.question:
        yield f"ASK: {item.question}"
