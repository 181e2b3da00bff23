"""The agenda of a debrief: three moments worth talking about, one of them good, and the objectives.

Each moment comes with its words, its sound where that is wanted, and a question that cannot be answered
with yes or no. The team judges; the page only says where to look.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.case.loops import Loop
from grammar.case.view import utterance_of
from grammar.reports.measures import is_clean
from grammar.reports.objectives import Shown, objectives
from tui.pages.debrief.analysed_case import AnalysedCase, facts_of
from tui.pages.debrief.communication import share_in_short
from tui.pages.debrief.content import Cell, Grid, Item, Items, plain
from tui.pages.debrief.moments import MARKS, Kind, Moment, badge
from tui.pages.debrief.sound import clip
from tui.text.wording import call_in_words, clean, clock, heard, station

DIFFICULT = 2
"""Moments of three that went otherwise than they should; the third went well."""
AROUND_S = 5.0
"""Seconds of sound on either side of a mark."""
UNCLEAR = 4
"""Lines of speech that was not understood, told with an order that was never reported done."""

QUESTIONS: dict[Kind, str] = {
    "differs": "What did each of you hear, and what made you sure which value was meant?",
    "unanswered": "Who was this call for, and how did its caller find out whether it had arrived?",
    "late": "What went on until the answer came, and what did its caller make of the silence?",
    "another": "How did it come that somebody else answered, and what did the one who was called know?",
    "again": "What made it hard to hear at first, and what helped?",
    "finding": "What led up to this, and what would have told the team in time?",
    "mark": "What made somebody mark this moment?",
    "note": "What made somebody write this down?",
}
NOT_DONE = "How did each of you know whether this was done, and who was watching for it?"
WELL = "What made this work, and how can the team make it happen every time?"


def chosen_moments(case: AnalysedCase) -> list[Moment]:
    """Return the moments of the agenda that went otherwise than they should, the gravest first."""
    hard = sorted(case.moments, key=lambda moment: _rank(case, moment))
    chosen: list[Moment] = []
    for moment in hard:
        # Two of one kind teach the same; and one call is one moment.
        if not any(moment.kind == x.kind or set(moment.facts) & set(x.facts) for x in chosen):
            chosen.append(moment)
        if len(chosen) == DIFFICULT:
            break
    return chosen


def agenda(case: AnalysedCase, chosen: Sequence[Moment], *, sound: bool) -> Items:
    """Return the three moments, in order of time: those chosen, and what went well."""
    items = [(each.t, _difficult(case, each, sound)) for each in chosen]
    for loop in _good(case)[: 3 - len(items) if not items else 1]:
        items.append((loop.opened, _went_well(case, loop, sound)))
    return Items(
        "Three moments worth talking about",
        tuple(item for _, item in sorted(items, key=lambda pair: pair[0])),
        "No call was answered, and nothing was marked: there is nothing in the log to talk about.",
    )


def aims(case: AnalysedCase) -> Grid:
    """Return the objectives, each with what the log shows of it."""
    typed = case.started.objectives if case.started else ()
    found = objectives(case.protocol, case.view, typed)
    return Grid(
        "Objectives",
        ("objective", "what the log shows of it"),
        tuple((plain(clean(one.title)), _shows(case, one)) for one in found),
        note="The protocol's own, and those typed at the briefing. The log shows what was said aloud and"
        " heard; whether an objective was reached is for the team to say.",
        none="none: name them in the protocol ([[objective]]), or type them at the briefing",
    )


def _shows(case: AnalysedCase, one: Shown) -> Cell:
    told = []
    if one.loops:
        done = _reported_done(case, one.loops)
        told.append(share_in_short(one.shares, len(one.loops)) + (f"; {done}" if done else ""))
    elif one.about:
        told.append("none of its calls was heard")
    if one.broken:
        told.append("; ".join(f"{clean(f.text)} ({clock(f.t)})" for f in one.broken))
    elif one.rules:
        kept = "; ".join(clean(r.title) for r in case.protocol.rule if r.id in one.rules)
        told.append(
            f"its rules were kept: {kept}"
            if one.tested
            else "nothing happened that its rules are about"
        )
    facts = dict.fromkeys([*facts_of(one.loops), *(f for b in one.broken for f in b.facts)])
    nothing = "nothing that the log could tell: say what you saw"
    return Cell(". ".join(told) or nothing, tuple(facts))


def _reported_done(case: AnalysedCase, loops: Sequence[Loop]) -> str:
    """Return how many of these calls, of those that set a task, were reported done; "" where none does."""
    wanted = {loop.id for loop in loops}
    states = [s for task, s in case.view.tasks if task.loop in wanted and s != "withdrawn"]
    return f"{states.count('done')} of {len(states)} reported done" if states else ""


def _rank(case: AnalysedCase, moment: Moment) -> tuple[int, float]:
    """Return a sort key: what could have harmed first, then what people marked, then the rest."""
    loop = case.call_of(moment)
    call = case.protocol.calls[loop.call] if loop else None
    drug = call is not None and "drug" in call.slots
    match moment.kind:
        case "differs":
            place = 3 if moment.mended else 0
        case "finding" if moment.is_wrong:
            place = 0
        case "finding":
            place = 1 if drug or moment.rule != "task-overdue" else 5
        case "unanswered":
            place = 2 if call is not None and call.is_order else 4
        case "mark":
            place = 4
        case "another":
            place = 6
        case "late":
            place = 7
        case _:
            place = 8
    return place, moment.t


def _good(case: AnalysedCase) -> list[Loop]:
    """Return the clean loops worth showing, the best first: directed orders of a drug that were done. None
    of what came after them went otherwise, such as a dose that was not the one ordered."""
    tasks = {task.loop: state for task, state in case.view.tasks}
    troubled = {
        fact for moment in case.moments if moment.kind not in MARKS for fact in moment.facts
    }

    def worth(loop: Loop) -> tuple[bool, ...]:
        call = case.protocol.calls[loop.call]
        done = tasks.get(loop.id) == "done"
        # Numbers and drugs are where words go wrong; a read-back repeats them, a "copy" does not.
        return (
            call.is_order,
            "drug" in loop.slots,
            call.effect == "order",
            done,
            loop.to is not None,
            call.readback != "acknowledge",
        )

    clean_ones = [
        loop
        for loop, state in case.view.loops
        if is_clean(loop, state) and loop.fact not in troubled
    ]
    return sorted(clean_ones, key=lambda loop: (tuple(not x for x in worth(loop)), loop.opened))


def _difficult(case: AnalysedCase, moment: Moment, sound: bool) -> Item:
    overdue = moment.rule == "task-overdue"
    loop = case.call_of(moment)
    answer = () if loop is None or loop.answer_fact is None else (loop.answer_fact,)
    facts = tuple(sorted({*moment.facts, *answer}))
    heard_at = case.heard_at(moment, facts)
    if not heard_at or heard_at[0][0] == heard_at[0][1]:
        heard_at = [(max(moment.t - AROUND_S, 0.0), moment.t + AROUND_S)]
    return Item(
        badge=badge(moment),
        urgent=moment.kind not in MARKS,
        wrong=moment.is_wrong,
        when=Cell(case.when(moment), facts[:1]),
        text=moment.text,
        detail=moment.detail,
        facts=facts,
        sound=clip(case.stored, heard_at) if sound else "",
        words=tuple(_words(case, facts)),
        perhaps=unclear_words(case, moment),
        question=NOT_DONE if overdue else QUESTIONS[moment.kind],
    )


def unclear_words(case: AnalysedCase, moment: Moment) -> tuple[str, ...]:
    """Return the speech that may have been the report which a moment lacks, a line for each utterance."""
    lines = list(_words(case, moment.unclear[:UNCLEAR]))
    more = len(moment.unclear) - len(lines)
    return (*lines, *([f"and {more} more"] if more else []))


def _went_well(case: AnalysedCase, loop: Loop, sound: bool) -> Item:
    task = next((t for t, state in case.view.tasks if t.loop == loop.id and state == "done"), None)
    facts = [loop.fact, *([loop.answer_fact] if loop.answer_fact is not None else [])]
    facts += [task.done_fact] if task is not None and task.done_fact is not None else []
    to = station(case.protocol, loop.to)
    waited = (loop.answered or loop.ended) - loop.ended
    # Times are no finer than the ends of words: no tenths here.
    detail = f"answered within {max(round(waited), 1)} s of its end, right at once"
    detail += ", and reported done" if task is not None else ""
    heard_at = [(case.begins[f], case.ends[f]) for f in facts if f in case.begins]
    return Item(
        badge="Went well",
        urgent=False,
        when=Cell(clock(loop.opened), (loop.fact,)),
        text=call_in_words(case.protocol, loop.call, loop.slots) + (f" → {to}" if to else ""),
        detail=detail,
        facts=tuple(facts),
        sound=clip(case.stored, heard_at) if sound else "",
        words=tuple(_words(case, facts)),
        question=WELL,
        good=True,
    )


def _words(case: AnalysedCase, facts: Sequence[int]) -> Iterator[str]:
    """Give what was said, with who said it where that is known."""
    for fact in sorted(set(facts)):
        said = utterance_of(case.view.log, fact)
        if said is None:
            continue
        who = station(case.protocol, said.sender)
        words = f"“{heard(said.text)}”"
        if said.role == "unrecognised" and said.likely:
            words += f", perhaps “{heard(said.likely)}”"
        yield f"{clock(said.t)} {f'{who}: ' if who else ''}{words}"
