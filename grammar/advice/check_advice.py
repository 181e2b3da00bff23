"""Advice on a protocol that loads: each note names a weak point, its place and its cure.

How words sound is passed in. Mistakes that keep a protocol from being used are no advice: they are
in `protocol/model.py` and `protocol/loading.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from grammar.advice.phonetic_similarity import Ways, alike_calls, alike_drugs
from grammar.case.doses import outside_range
from grammar.language.phrases import Body, bodies, compile_network, frame, rules
from grammar.language.word_network import Network
from grammar.protocol.model import Call, Protocol, SequenceRule, decimal, filled_by
from grammar.protocol.templates import Choice, Literal, Node, Slot, expansions, slots_of
from grammar.protocol.templates import Sequence as Parts


@dataclass(frozen=True, slots=True)
class Note:
    """Something worth changing: `table` and `id` say where, `text` what and how."""

    table: str
    id: str
    text: str

    def __str__(self) -> str:
        return f"[[{self.table}]] {self.id}: {self.text}"


def advise(protocol: Protocol, ways: Ways) -> tuple[Note, ...]:
    """Return all advice on a protocol, in a fixed order.

    `ways` maps each word to its pronunciations, tuples of phones; words that it lacks, and with them
    the phrases that hold them, are left out of what sounds alike.
    """
    shared = tuple(_shared(protocol))
    return (
        *(note for note, _ in shared),
        *_sounding_alike(protocol, ways, frozenset(calls for _, calls in shared)),
        *_unreadable(protocol),
        *_without_source(protocol),
        *_planned_outside(protocol),
        *_idle_rules(protocol),
        *_contrary_rules(protocol),
        *_idle_tasks(protocol),
        *_idle_effects(protocol),
    )


# ---------------------------------------------------------------------- one sentence, two calls


def _shared(protocol: Protocol) -> Iterator[tuple[Note, frozenset[str | None]]]:
    """Yield a note for each two things that one sentence can be, with the ids of their calls."""
    told: set[frozenset[Body]] = set()
    for sentence, meant in shared_sentences(protocol):
        for one, other in combinations(meant, 2):
            if _clash(one, other) and frozenset((one, other)) not in told:
                told.add(frozenset((one, other)))
                text = f'"{sentence}" is also {_name(other)}: reword one of them'
                yield Note(*_place(one), text), frozenset((one.call, other.call))


def _clash(one: Body, other: Body) -> bool:
    """Return whether a listener would take one for the other. Answers are told apart by what is
    open."""
    kinds = {one.kind, other.kind}
    if kinds <= {"answer", "proword"}:
        return False
    return one.call is None or other.call is None or one.call != other.call


def _place(body: Body) -> tuple[str, str]:
    if body.call:
        return "call", body.call
    return ("checklist", f"{body.checklist}, {body.item}") if body.item else ("prowords", "")


def _name(body: Body) -> str:
    match body.kind:
        case "call":
            return f'the call "{body.call}"'
        case "answer":
            return f'a read-back of "{body.call}"'
        case "item":
            return f'the item "{body.item}" of the checklist "{body.checklist}"'
        case "proword":
            return "a proword"


_MARK = "#"
"""First character of the made-up words that mark which body a sentence of the network came from."""


def shared_sentences(protocol: Protocol) -> Iterator[tuple[str, tuple[Body, ...]]]:
    """Yield a shortest example of each set of two or more bodies that one sentence can be, shortest
    first.

    Every body is compiled between the same frame with a word of its own at the very end, so that a
    state from which two such words lead is reached by a sentence that both can be. Bodies come without
    their templates: one for each call, read-back, checklist item, and the prowords.
    """
    before, after = frame(protocol)
    by_place: dict[Body, list[Node]] = {}
    for body in bodies(protocol):
        bare = Body(
            kind=body.kind, node=Parts(()), call=body.call, checklist=body.checklist, item=body.item
        )
        by_place.setdefault(bare, []).append(body.node)
    places = list(by_place)
    marked = tuple(
        Parts((before, Choice(tuple(by_place[body])), after, Literal(f"{_MARK}{number}")))
        for number, body in enumerate(places)
    )
    found = compile_network(Choice(marked), rules(protocol))
    told: set[tuple[int, ...]] = set()
    for state, sentence in _shortest(found).items():
        ends = tuple(int(word[1:]) for word, _ in found.arcs[state] if word.startswith(_MARK))
        if len(ends) > 1 and ends not in told:
            told.add(ends)
            yield sentence, tuple(places[number] for number in sorted(ends))


def _shortest(found: Network) -> dict[int, str]:
    """Return a sentence with the fewest words to each state."""
    reached = {found.start: ""}
    queue = [found.start]
    for state in queue:  # grows while it is read
        for word, to in found.arcs[state]:
            if to not in reached and not word.startswith(_MARK):
                reached[to] = f"{reached[state]} {word}".strip()
                queue.append(to)
    return reached


# ---------------------------------------------------------------------- sounds


def _sounding_alike(
    protocol: Protocol, ways: Ways, told: frozenset[frozenset[str | None]]
) -> Iterator[Note]:
    for call, phrase, other, its in alike_calls(protocol, ways):
        if frozenset((call, other)) in told:
            continue
        yield Note(
            "call",
            call,
            f'"{phrase}" sounds nearly like "{its}" of the call "{other}": '
            "reword one so that more of it differs",
        )
    for drug, name, other, its in alike_drugs(protocol, ways):
        yield Note(
            "drug",
            drug,
            f'"{name}" sounds nearly like "{its}" of the drug "{other}": '
            'make the read-back of drugs "key" or "full", with the drug deciding',
        )


# ---------------------------------------------------------------------- read-backs


def _unreadable(protocol: Protocol) -> Iterator[Note]:
    for call in protocol.call:
        if call.readback not in ("full", "key"):
            continue
        wanted = frozenset(call.deciding if call.readback == "key" else call.slots) - {"unit"}
        spoken = _filled(protocol, call.nodes)
        shown = ", ".join(sorted(wanted))
        if not any(wanted <= filled for filled in spoken + _filled(protocol, call.answer_nodes)):
            text = f"no phrase says {shown} together, so that no read-back can repeat them: "
            yield Note("call", call.id, text + "add one that does, or let fewer slots decide")
        elif call.answers and not any(
            _enough(call, wanted, filled) for filled in _filled(protocol, call.answer_nodes)
        ):
            text = f"no short read-back says {shown}, only the whole call closes it: "
            yield Note("call", call.id, text + "add an answer that does")


def _filled(protocol: Protocol, nodes: Sequence[Node]) -> list[frozenset[str]]:
    """Return the slots that each way of saying the templates fills."""
    named = rules(protocol)
    return [
        frozenset(name for part in form if isinstance(part, Slot) for name in filled_by(part))
        for node in nodes
        for form in expansions(node, named)
    ]


def _enough(call: Call, wanted: frozenset[str], filled: frozenset[str]) -> bool:
    """Return whether the fold would close the call on it: all that decides, or for `key` all its
    numbers."""
    numbers = {n for n in wanted if call.slots[n] in ("number", "duration") or n == "amount"}
    by_numbers = call.readback == "key" and bool(numbers) and numbers <= filled
    return wanted <= filled or by_numbers


# ---------------------------------------------------------------------- sources


def _without_source(protocol: Protocol) -> Iterator[Note]:
    for drug in protocol.drug:
        if drug.range and not drug.range.source.strip():
            yield Note("drug", drug.id, "its range names no source: add source = where it is from")
        if drug.planned and not drug.planned.source.strip():
            yield Note("drug", drug.id, "its planned dose names no source: add source = where from")


def _planned_outside(protocol: Protocol) -> Iterator[Note]:
    for drug in protocol.drug:
        planned, allowed = drug.planned, drug.range
        # Per kilogram against a whole amount depends on the weight: nothing to say beforehand.
        if planned is None or allowed is None or planned.per_kg != allowed.per_kg:
            continue
        whole = allowed.model_copy(update={"per_kg": False})
        bare = drug.model_copy(update={"range": whole})
        said = outside_range(bare, decimal(planned.amount), planned.unit, None)
        if said:
            yield Note("drug", drug.id, f"planned {said.removeprefix(f'{drug.id} ')}: change one")


# ---------------------------------------------------------------------- rules


def _covers(protocol: Protocol, wide: str, narrow: str) -> bool:
    """Return whether every event `narrow` is an event `wide` too."""
    call, _, value = wide.partition(":")
    other, _, its = narrow.partition(":")
    drug = protocol.drugs.get(its)
    return call == other and (value in ("", its) or (drug is not None and drug.group == value))


def _idle_rules(protocol: Protocol) -> Iterator[Note]:
    for rule in protocol.rule:
        firsts, thens = rule.first, rule.then
        if rule.kind == "before":
            moot = [t for t in thens if any(_covers(protocol, f, t) for f in firsts)]
        elif rule.kind == "after-count":
            moot = [f for f in firsts if any(_covers(protocol, t, f) for t in thens)]
        else:
            continue
        if moot:
            text = f'"{moot[0]}" is both first and then, so that it always keeps the rule: '
            yield Note("rule", rule.id, text + "remove it from one of them")


def _contrary_rules(protocol: Protocol) -> Iterator[Note]:
    """Limits on the same pair of events that nobody can keep both."""
    most = [rule for rule in protocol.rule if rule.kind == "at-most"]
    for rule in most:
        for other in protocol.rule:
            if other.kind == "at-least" and _seconds(rule) < _seconds(other):
                pair = _pair_of_both(protocol, rule, other)
                if pair:
                    text = (
                        f'within {_seconds(rule):g} s from "{pair[0]}" to "{pair[1]}", where the rule '
                        f'"{other.id}" wants at least {_seconds(other):g} s: change one of them'
                    )
                    yield Note("rule", rule.id, text)
        yield from _sooner_than_the_sheet(protocol, rule)


def _sooner_than_the_sheet(protocol: Protocol, rule: SequenceRule) -> Iterator[Note]:
    for event in (name for name in rule.first if name in rule.then):
        call, _, value = event.partition(":")
        drug = protocol.drugs.get(value)
        given = protocol.calls[call].effect == "given"
        if given and drug and (drug.minimum_interval_s or 0) > _seconds(rule):
            text = (
                f'within {_seconds(rule):g} s from "{event}" to the next, where the drug '
                f"has minimum_interval_s = {drug.minimum_interval_s:g}: change one of them"
            )
            yield Note("rule", rule.id, text)


def _seconds(rule: SequenceRule) -> float:
    return rule.seconds or 0.0


def _pair_of_both(
    protocol: Protocol, one: SequenceRule, other: SequenceRule
) -> tuple[str, str] | None:
    first, then = _common(protocol, one.first, other.first), _common(protocol, one.then, other.then)
    return (first, then) if first and then else None


def _common(protocol: Protocol, these: Sequence[str], those: Sequence[str]) -> str | None:
    """Return an event of both; of a wide and a narrow one, the narrow one."""
    for this in these:
        for that in those:
            if _covers(protocol, this, that):
                return that
            if _covers(protocol, that, this):
                return this
    return None


# ---------------------------------------------------------------------- tasks and effects


def _idle_tasks(protocol: Protocol) -> Iterator[Note]:
    for call in protocol.call:
        task = call.task
        for name in task.same if task else ():
            if task and not any(name in protocol.calls[done].slots for done in task.done_by):
                text = f'task.same names "{name}", which {_listed(task.done_by)} never says: '
                yield Note("call", call.id, text + "add the slot there, or leave it out of same")


def _idle_effects(protocol: Protocol) -> Iterator[Note]:
    needs = {"order": "drug", "start-timer": "duration_s"}
    for call in protocol.call:
        slot = needs.get(call.effect)
        if slot and slot not in call.slots:
            wanted = slot.removesuffix("_s")
            text = f'effect = "{call.effect}" does nothing without a {wanted}: '
            yield Note("call", call.id, text + f"add {{{wanted}}} to a phrase")
        numbers = [s for n in call.nodes for s in slots_of(n) if s.type in ("number", "amount")]
        if call.vital and not numbers:
            text = "it reports a vital sign and says no number: add a slot such as {percent:number}"
            yield Note("call", call.id, text)


def _listed(names: Sequence[str]) -> str:
    return " or ".join(f'"{name}"' for name in names)
