"""The lines of the side column, made from a View: one function a panel, most important first.

An item is the rows it takes; it is shown whole or not at all. Of more than `most` items, as many as
the column has rows, the others are counted and not laid out.
"""

from __future__ import annotations

from textual.content import Content

from grammar.case.checklist import ChecklistProgress
from grammar.case.doses import DoseGiven, Task
from grammar.case.findings import Countdown, Finding
from grammar.case.view import View
from grammar.protocol.model import Protocol
from tui.dashboard.palette import state_style
from tui.text.doses import DoseWords, per_kg_in_words
from tui.text.wording import (
    NOT_HEARD_YET,
    STATE_MARKS,
    amount,
    bar,
    call_in_words,
    clean,
    clock,
    doubt_of,
    drug,
    left,
    slots_in_words,
)


def wrapped(content: Content, width: int) -> list[Content]:
    """Return a line on as many rows as it needs, the later ones indented. No dose is ever cut short."""
    first, *_ = rows = content.wrap(width)
    if len(rows) == 1:
        return rows
    rest = content[len(first.rstrip()) :].plain.lstrip()
    start = len(content.plain) - len(rest)
    later = content[start:].wrap(width - 2)
    return [first.rstrip(), *(Content.assemble("  ", row.rstrip()) for row in later)]


def vital_lines(view: View, width: int) -> list[list[Content]]:
    """Return the latest value of each vital sign and how long ago it was called."""
    return [
        wrapped(
            Content.assemble(
                (f"{clean(sign.title):<11}", "$quiet"),
                (f"{f'{sign.text} {clean(sign.unit)}':<11}", "bold"),
                (f" {clock(view.now - sign.t)}", "$quiet"),
            ),
            width,
        )
        for sign in view.latest_vitals
    ]


def newest_stand(view: View, items: list[list[Content]], rows: int) -> list[list[Content]]:
    """Return the lines of the vital signs so that in `rows` rows the newest stand, in their usual places,
    and the oldest are those that do not fit."""
    signs = view.latest_vitals
    kept: set[int] = set()
    for at in sorted(range(len(signs)), key=lambda at: (signs[at].t, signs[at].fact), reverse=True):
        if kept and sum(len(items[each]) for each in (*kept, at)) > rows:
            break
        kept.add(at)
    rest = [each for at, each in enumerate(items) if at not in kept]
    return [*(items[at] for at in sorted(kept)), *rest]


def dose_lines(protocol: Protocol, view: View, width: int, most: int) -> list[list[Content]]:
    """Doses reported given, the latest first."""
    words = DoseWords(protocol, view)
    latest = [_dose(protocol, words, dose, width) for dose in _latest_first(view)[:most]]
    return [*latest, *_more(len(view.doses) - most)]


def _latest_first(view: View) -> list[DoseGiven]:
    """Return the doses by the time at which they were given: one may be entered long after."""
    return sorted(view.doses, key=lambda dose: (dose.t, dose.fact), reverse=True)


def _dose(protocol: Protocol, words: DoseWords, dose: DoseGiven, width: int) -> list[Content]:
    given = Content.assemble(
        (f"{clock(dose.t)} ", "$quiet"),
        (f"{drug(protocol, dose.drug)} {amount(dose.amount, dose.unit)}", "bold"),
        *_remarks(words, dose),
    )
    if dose.per_kg is None:
        return wrapped(given, width)
    each = f"  {per_kg_in_words(dose)}"
    if given.cell_length + len(each) <= width:
        return [Content.assemble(given, (each, "$quiet"))]
    return [*wrapped(given, width), Content.styled(each, "$quiet")]


def _remarks(words: DoseWords, dose: DoseGiven) -> list[tuple[str, str]]:
    """Return what is to be known of a dose: a read-back that differs in the colour of that."""
    styles = {True: state_style("differs"), False: "$ink"}
    differs = STATE_MARKS["differs"]
    return [(f" {told}", styles[told.startswith(differs)]) for told in words.remarks(dose)]


def packed_doses(protocol: Protocol, view: View, width: int) -> list[list[Content]]:
    """Doses reported given where rows are short: a drug on a row, with each of its doses and its time; the
    drug given last on top."""
    words = DoseWords(protocol, view)
    by_drug: dict[str, list[DoseGiven]] = {}
    for dose in _latest_first(view):
        by_drug.setdefault(dose.drug, []).insert(0, dose)
    return [
        wrapped(
            Content.assemble(
                (drug(protocol, name), "bold"),
                *(
                    part
                    for each in doses
                    for part in (
                        (f" {amount(each.amount, each.unit)}", "bold"),
                        *_remarks(words, each),
                        (f" {clock(each.t)}", "$quiet"),
                    )
                ),
            ),
            width,
        )
        for name, doses in by_drug.items()
    ]


def overdue_lines(
    protocol: Protocol, view: View, width: int, *, packed: bool
) -> list[list[Content]]:
    """Orders that are overdue, the oldest first; `packed` on one row each, without what the sign says."""
    found = sorted((t for t, state in view.tasks if state == "overdue"), key=lambda task: task.due)
    return [_overdue(protocol, task, view.now, width, packed=packed) for task in found]


def pending_lines(protocol: Protocol, view: View, width: int, most: int) -> list[list[Content]]:
    """Orders that are not yet reported done and not overdue, the next due first."""
    found = sorted((t for t, state in view.tasks if state == "pending"), key=lambda task: task.due)
    ordered = {task.loop for task in found[:most]}
    doubts = {loop.id: doubt_of(view, loop) for loop, _ in view.loops if loop.id in ordered}
    items = []
    for task in found[:most]:
        what = call_in_words(protocol, task.call, task.slots)
        line = Content.assemble((f"{left(task.due - view.now)} ", "$quiet"), (what, "bold"))
        doubt = f" {doubts[task.loop]}" if doubts.get(task.loop) else ""
        # In a narrow column it would cost a row; the log says it.
        if line.cell_length + len(doubt) <= width:
            line = Content.assemble(line, (doubt, "$quiet"))
        items.append(wrapped(line, width))
    return [*items, *_more(len(found) - most)]


def _overdue(
    protocol: Protocol, task: Task, now: float, width: int, *, packed: bool
) -> list[Content]:
    loud, age = "bold $on-urgent on $urgent", clock(now - task.due)
    if packed:
        name = slots_in_words(protocol, task.call, task.slots)
        name = name or call_in_words(protocol, task.call, task.slots)
        line = Content.assemble((f"!! {age} ", loud), (name, "bold"))
        return [line.truncate(width, ellipsis=True)]
    what = (call_in_words(protocol, task.call, task.slots), "bold")
    return wrapped(Content.assemble((f"!! OVERDUE {age}", loud), " ", what), width)


def watch_lines(view: View, width: int, most: int) -> list[list[Content]]:
    """Countdowns first, the next due on top; then findings, the latest first.

    Either may take two lines: a sentence cut short is no finding. An order that is overdue stands among the
    tasks, and not here too.
    """
    counting = sorted(view.countdowns, key=lambda each: each.due)
    told = view.now if view.heard is None else view.heard.told
    items = [wrapped(_countdown(each, view.now, told), width) for each in counting[:most]]
    tasks = {task.fact for task, state in view.tasks if state == "overdue"}
    findings = [each for each in view.findings if not (_late(each) and each.facts[0] in tasks)]
    for finding in reversed(findings[-most:]):
        said = Content.assemble(
            (f"! {clock(finding.t)} ", "bold $urgent"), (clean(finding.text), "$ink")
        )
        items.append(wrapped(said, width))
    return [*items, *_more(len(counting) - most), *_more(len(findings) - most)]


def _late(finding: Finding) -> bool:
    return finding.rule == "task-overdue"


def _more(count: int) -> list[list[Content]]:
    """Items that no screen has room for: they are counted, and not laid out."""
    return [[Content("")]] * max(count, 0)


def _countdown(countdown: Countdown, now: float, told: float) -> Content:
    remaining = countdown.due - now
    title = (f" {clean(countdown.title)}", "$ink")
    if countdown.wait:
        word = f"wait {left(remaining)}" if remaining > 0 else "wait over"
        return Content.assemble((word, "bold"), title)
    if remaining > 0:
        return Content.assemble((f"within {left(remaining)}", "bold"), title)
    if told <= countdown.due:
        return Content.assemble((NOT_HEARD_YET, "bold"), title)
    return Content.assemble((f"!! PAST {clock(-remaining)}", "bold $urgent"), title)


def checklist_lines(view: View, width: int) -> list[list[Content]]:
    """Progress of each checklist, with the items still missing."""
    return [rows for each in view.checklists for rows in _checklist(each, width)]


def _checklist(progress: ChecklistProgress, width: int) -> list[list[Content]]:
    count, total = len(progress.items) - len(progress.missing), len(progress.items)
    called = (
        f"  called complete {clock(progress.completed)}" if progress.completed is not None else ""
    )
    first = Content.assemble(
        (f"{count}/{total} ", "bold"),
        (bar(count / total if total else 1.0, 6), "$good"),
        (f" {clean(progress.title)}", "$ink"),
        (called, "$quiet"),
    )
    items = [wrapped(first, width)]
    if progress.missing and (progress.answered or progress.completed is not None):
        titles = dict(progress.items)
        missing = ", ".join(clean(titles[item]) for item in progress.missing)
        said = Content.assemble(("missing: ", "bold $urgent"), (missing, "$ink"))
        items.append(wrapped(said, width))
    return items
