"""The lines of the side column, made from a View: one function a panel, most important line first."""

from __future__ import annotations

from textual.content import Content

from grammar.checklist import ChecklistProgress
from grammar.doses import DoseGiven, Task, TaskState
from grammar.findings import Countdown
from grammar.protocol import Protocol
from grammar.view import View
from tui.wording import amount, bar, call_in_words, clean, clock, drug, left, number


def fit(content: Content, width: int) -> Content:
    """A line cut to `width` cells, with an ellipsis where something is missing."""
    return content.truncate(width, ellipsis=True)


def wrapped(content: Content, width: int) -> list[Content]:
    """A line on as many rows as it needs, the later ones indented. No dose is ever cut short."""
    first, *_ = rows = content.wrap(width)
    if len(rows) == 1:
        return rows
    rest = content[len(first.rstrip()) :].plain.lstrip()
    start = len(content.plain) - len(rest)
    later = content[start:].wrap(width - 2)
    return [first.rstrip(), *(Content.assemble("  ", row.rstrip()) for row in later)]


def vital_lines(view: View, width: int) -> list[Content]:
    """The latest value of each vital sign and how long ago it was called."""
    return [
        fit(
            Content.assemble(
                (f"{clean(sign.title):<11}", "$quiet"),
                (f"{f'{sign.text} {clean(sign.unit)}':<12}", "bold"),
                (f" {clock(view.now - sign.t)}", "$quiet"),
            ),
            width,
        )
        for sign in view.latest_vitals
    ]


def dose_lines(protocol: Protocol, view: View, width: int) -> list[Content]:
    """Doses reported given, the latest first."""
    return [row for dose in reversed(view.doses) for row in wrapped(_dose(protocol, dose), width)]


def _dose(protocol: Protocol, dose: DoseGiven) -> Content:
    each = f"  {number(dose.per_kg, 3)} {clean(dose.unit)}/kg" if dose.per_kg is not None else ""
    return Content.assemble(
        (f"{clock(dose.t)} ", "$quiet"),
        (f"{drug(protocol, dose.drug)} {amount(dose.amount, dose.unit)}", "bold"),
        (each, "$quiet"),
    )


def task_lines(protocol: Protocol, view: View, width: int) -> list[Content]:
    """Orders not yet reported done, those overdue first."""
    found = [pair for pair in view.tasks if pair[1] in ("pending", "overdue")]
    found.sort(key=lambda pair: pair[0].due)
    return [
        row
        for task, state in found
        for row in wrapped(_task(protocol, task, state, view.now), width)
    ]


def _task(protocol: Protocol, task: Task, state: TaskState, now: float) -> Content:
    what = call_in_words(protocol, task.call, task.slots)
    if state == "overdue":
        return Content.assemble(
            (f" !! OVERDUE {clock(now - task.due)} ", "bold $on-urgent on $urgent"),
            (f" {what}", "bold"),
        )
    return Content.assemble((f"in {left(task.due - now)} ", "$quiet"), (what, "bold"))


def watch_lines(view: View, width: int) -> list[Content]:
    """Countdowns first, the next due on top; then findings, the latest first.

    Either may take two lines: a sentence cut short is no finding.
    """
    counting = sorted(view.countdowns, key=lambda each: each.due)
    lines = [row for each in counting for row in wrapped(_countdown(each, view.now), width)]
    for finding in sorted(view.findings, key=lambda each: each.t, reverse=True):
        said = Content.assemble(
            (f"! {clock(finding.t)} ", "bold $urgent"), (clean(finding.text), "$ink")
        )
        lines += wrapped(said, width)
    return lines


def _countdown(countdown: Countdown, now: float) -> Content:
    remaining = countdown.due - now
    title = (f" {clean(countdown.title)}", "$ink")
    if countdown.wait:
        word = f"wait {left(remaining)}" if remaining > 0 else "wait over"
        return Content.assemble((word, "bold"), title)
    if remaining > 0:
        return Content.assemble((f"within {left(remaining)}", "bold"), title)
    return Content.assemble((f"!! PAST {clock(-remaining)}", "bold $urgent"), title)


def checklist_lines(view: View, width: int) -> list[Content]:
    """Progress of each checklist, with the items still missing."""
    return [line for each in view.checklists for line in _checklist(each, width)]


def _checklist(progress: ChecklistProgress, width: int) -> list[Content]:
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
    lines = [fit(first, width)]
    if progress.missing and (progress.answered or progress.completed is not None):
        titles = dict(progress.items)
        missing = ", ".join(clean(titles[item]) for item in progress.missing)
        lines += wrapped(Content.assemble(("missing: ", "bold $urgent"), (missing, "$ink")), width)
    return lines
