"""The published shares are computed on orders, held to the sample drill's own truth."""

from __future__ import annotations

import tomllib

from grammar.case.facts import CaseStarted, Heard
from grammar.case.fold import Case
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.reports.measures import communication, of_announcements, of_orders
from tests.support.places import SAMPLES

ORDERS = {"radio-check", "draw-up-drug", "give-drug", "start-timer", "send-in"}
"""Calls of the protocol that ask somebody to do something, by hand."""


def test_of_the_well_run_drill_each_order_was_directed_as_its_truth_says() -> None:
    truth = tomllib.loads((SAMPLES / "well-run-drill.toml").read_text(encoding="utf-8"))
    protocol = load_protocol("isolation-airway")
    case = Case(protocol)
    case.add(CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70))
    for seq, said in enumerate(truth["utterance"], start=2):
        words = tuple(Word(w, said["t"], said["until"]) for w in said["words"].split())
        case.add(Heard(seq=seq, t=said["t"], until=said["until"], words=words, sender=said["from"]))
    view = case.view(truth["duration_s"])
    calls = [
        said
        for said in truth["utterance"]
        if said["role"] == "call"
        and "call" in said
        and not said.get("repeat")
        and protocol.calls[said["call"]].readback != "none"
    ]
    wanted = [said for said in calls if said["call"] in ORDERS]
    found, others = of_orders(protocol, view), of_announcements(protocol, view)
    assert found.directed.total == len(wanted)
    assert found.directed.count == sum(said.get("to") is not None for said in wanted)
    assert found.directed.total + others.directed.total == communication(view).directed.total
