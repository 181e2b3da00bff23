"""A judged dialogue as a page of text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grammar.case.view import Utterance, View
from grammar.protocol.model import Protocol
from tui.text.wording import call_in_words, clean, clock


def page(protocol: Protocol, utterances: Sequence[Utterance], view: View) -> str:
    """Prints the words of a written dialogue, the outcome of each call, and the findings."""
    return "\n".join(_lines(protocol, utterances, view))


def _lines(protocol: Protocol, utterances: Sequence[Utterance], view: View) -> Iterator[str]:
    for said in utterances:
        unsure = " (unsure)" if said.unsure else ""
        mark = "" if said.loop is None else f" #{said.loop}"
        yield f"{clock(said.t)}  {said.role:15}  {clean(said.text)}{mark}{unsure}"
    yield ""
    yield f"calls that want an answer, at {clock(view.now)}"
    for loop, state in view.loops:
        what = call_in_words(protocol, loop.call, loop.slots)
        flags = f"  ({', '.join(loop.flags)})" if loop.flags else ""
        yield f"  #{loop.id} {clock(loop.opened)}  {what}: {state}{flags}"
    if view.tasks:
        yield "tasks"
    for task, done in view.tasks:
        what = call_in_words(protocol, task.call, task.slots)
        yield f"  {clock(task.ordered)}  {what}: {done}"
    for timer, running in view.timers:
        yield f"timer  {clock(timer.started)}  {timer.duration_s:g} s: {running}"
    for progress in view.checklists:
        left = f", missing {', '.join(progress.missing)}" if progress.state == "partly-done" else ""
        yield f"checklist {progress.title}: {progress.state}{left}"
    yield "findings" if view.findings else "no findings"
    for found in view.findings:
        yield f"  {clock(found.t)}  {found.text}"
