"""The shares of a case's calls as tables: orders, other calls, by station and by call, and speech."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Literal

from grammar.case.loops import Loop
from grammar.case.view import utterance_of
from grammar.reports.measures import Communication, Share
from tui.pages.debrief.analysed_case import AnalysedCase, facts_of
from tui.pages.debrief.content import Cell, Grid, Part, plain, share_cell
from tui.text.wording import call_title, clock, duration, station

SHARES: tuple[tuple[str, str], ...] = (
    ("clean", "Clean loop: answered in time, first read-back right, closed without repeating"),
    ("late", "Answered late"),
    ("put_right", "Put right after a wrong read-back"),
    ("by_another", "Answered by another than was called"),
    ("never", "Never answered rightly"),
    ("repeated", "Had to be said again"),
    ("directed", "Directed at a station"),
    ("audible", "Heard at the first time, as far as the log can tell"),
    ("closed", "Closed by an answer that was heard"),
)
SHORT = {
    "clean": "clean",
    "late": "late",
    "put_right": "put right",
    "by_another": "by another",
    "never": "never",
    "repeated": "said again",
    "directed": "directed",
    "closed": "closed",
}
"""Heads of the narrow tables."""

STUDY = (
    "Intervals by Wilson. Directed, audible and closed as in El-Shafy et al., Journal of Surgical Education"
    " 2018: there 32.6 % of 387 orders were directed, 96.1 % audible, 26.1 % closed. Whether people could"
    " hear an order the log only tells by what followed it."
)


def communication_parts(case: AnalysedCase) -> Iterator[Part]:
    """Yield the shares of all calls, orders first."""
    yield _shares(
        case, "Orders", "orders", part=case.measures.orders, loops=case.orders, note=STUDY
    )
    yield _shares(
        case,
        "Announcements and reports",
        "calls",
        part=case.measures.others,
        loops=case.others,
        note="Calls that inform and ask nobody to do anything; the study did not count them.",
    )
    yield from _stations(case)
    names = {name: call_title(case.protocol, name) for name in case.measures.by_call}
    yield _grouped(
        "Per call", case.measures.by_call, names=names, loops=case.calls, attribute="call"
    )
    yield _speech(case)


def by_another_cell(case: AnalysedCase, found: Share, loops: Sequence[Loop]) -> Cell:
    """Return how many of these calls another station answered, and of how many that cannot be told."""
    cell = share_cell(found, facts_of(loops))
    answers = (loop.answer_fact for loop in loops if loop.to and loop.answer_fact is not None)
    said = (utterance_of(case.view.log, fact) for fact in answers)
    unknown = sum(one is not None and one.sender is None for one in said)
    if not unknown:
        return cell
    return replace(cell, text=f"{cell.text}; who answered is not known of {unknown}")


def _shares(
    case: AnalysedCase,
    title: str,
    what: str,
    *,
    part: Communication,
    loops: Sequence[Loop],
    note: str,
) -> Grid:
    whole = facts_of(loops)
    return Grid(
        title,
        ("", f"{what}, share, 95 % interval"),
        tuple(
            (
                plain(words),
                by_another_cell(case, part.by_another, loops)
                if name == "by_another"
                else share_cell(getattr(part, name), whole),
            )
            for name, words in SHARES
        ),
        note=note,
    )


def _stations(case: AnalysedCase) -> Iterator[Grid]:
    unnamed = [loop for loop in case.orders if loop.sender is None]
    told = ""
    if unnamed:
        all_of = "any" if len(unnamed) == len(case.orders) else f"{len(unnamed)}"
        told = (
            f"Who spoke is not known of {all_of} of the {len(case.orders)} orders. Name the speakers in"
            " `answerback replay`: s plays each voice, 1 to 6 say whose it is."
        )
    titles = {name: station(case.protocol, name) for name in case.measures.by_sender}
    known = {name: part for name, part in case.measures.by_sender.items() if name}
    yield _grouped(
        "Orders per station that gave them",
        case.measures.by_sender if known else {},
        names=titles,
        loops=case.orders,
        attribute="sender",
        note=told,
        none="speakers are not known" if unnamed else "none",
    )
    to = {name: station(case.protocol, name) for name in case.measures.by_addressee}
    yield _grouped(
        "Orders per station called",
        case.measures.by_addressee,
        names=to,
        loops=case.orders,
        attribute="to",
    )


def _grouped(
    title: str,
    groups: Mapping[str, Communication],
    *,
    names: Mapping[str, str],
    loops: Sequence[Loop],
    attribute: Literal["sender", "to", "call"],
    note: str = "",
    none: str = "none",
) -> Grid:
    of: dict[str, list[int]] = {}
    for loop in loops:
        of.setdefault(getattr(loop, attribute) or "", []).append(loop.fact)
    rows = []
    for name, found in groups.items():
        whole = tuple(of.get(name, ()))
        cells = (getattr(found, name_of) for name_of in SHORT)
        rows.append(
            (
                plain(names[name] or "not named"),
                Cell(str(found.clean.total), whole),
                *(Cell(str(x.count), x.facts, () if x.facts else whole) for x in cells),
            )
        )
    return Grid(title, ("", "calls", *SHORT.values()), tuple(rows), note=note, none=none)


def _speech(case: AnalysedCase) -> Grid:
    found = case.measures.speech
    said = [line.utterance for line in case.view.log if line.utterance]
    everything = tuple(one.fact for one in said)
    calls = tuple(
        one.fact for one in said if one.role == "call" and one.call and "repeat" not in one.flags
    )
    outside = tuple(one.fact for one in said if one.role == "unrecognised")
    rate = found.calls_per_minute
    rows = [
        ("Calls a minute", Cell("none" if rate is None else f"{rate:.1f}", calls)),
        ("Spoken outside the protocol", Cell(f"{len(outside)} utterances", outside)),
        ("Somebody spoke", Cell(duration(round(found.spoken_s)), everything)),
        ("Silence", Cell(duration(round(found.silence_s)), everything)),
    ]
    if found.overlap_s is not None:
        rows.append(("Two spoke at once", Cell(f"{found.overlap_s:.1f} s", everything)))
    if found.longest_silence is not None:
        begin, until = found.longest_silence
        near = tuple(
            one.fact for one in said if abs(one.until - begin) < 0.01 or abs(one.t - until) < 0.01
        )
        words = f"{duration(round(until - begin))} from {clock(begin)}"
        rows.append(("Longest silence", Cell(words, near or everything[:1])))
    note = (
        "Calls a minute counts orders, reports and announcements that were heard, those that need no answer"
        f" too; not repeats, answers or checklist items: {found.calls} in the"
        f" {duration(round(found.listened_s))} that were listened to."
    )
    return Grid("Speech", ("", ""), tuple((plain(name), cell) for name, cell in rows), note=note)


def share_in_short(part: Communication, total: int) -> str:
    """Return in a few words how these calls went."""
    told = [f"{part.clean.count} of {total} clean"]
    told += [
        f"{found.count} {words}"
        for name, words in SHORT.items()
        if name in ("late", "put_right", "by_another", "never", "repeated")
        and (found := getattr(part, name)).count
    ]
    return ", ".join(told)
