"""The case for a record system: an HL7 FHIR R4 (4.0.1) Bundle of type `collection`.

    MedicationRequest          each order to give a drug; not reported given, it stays active
    MedicationAdministration   each dose reported given, with the order that it was given on
    Task                       each thing ordered to be done, with how it stands
    Observation                each vital sign called out: LOINC codes from the protocol, UCUM units
    Procedure                  each attempt of the record
    Communication              each utterance that is one of the protocol's, answers tied to their calls
    Provenance                 what recorded all of it, and how

No identifier is invented: patient and staff are references by `display` alone, a station as its
role. Resources refer to one another by `urn:uuid`, made from the case's own facts (RFC 9562,
version 5), so that the same case gives the same Bundle. Speech outside the protocol is left out.

Speech that was only heard is not verified, and every resource that has a status for that says so: an
observation is `preliminary`; an administration and a procedure are `unknown` with the reason in words, as
R4 has no weaker status for them; a task is told unconfirmed in its business status. Once a person entered,
amended or confirmed the utterance it is `final`, `completed` or `stopped`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

from grammar.case.airway_record import Attempt, record_of
from grammar.case.doses import DoseGiven, Task, TaskState
from grammar.case.facts import fact_to_json
from grammar.case.view import Utterance
from grammar.case.vitals import VitalSign
from grammar.errors import UserError
from grammar.language.numbers.units import plain
from listener.storage.case_reader import StoredCase
from tui.export.exported_case import CAUTION, ExportedCase
from tui.text.wording import call_in_words, clean, drug, station

Resource = dict[str, Any]

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"

UCUM_CODES = {"mg": "mg", "microgram": "ug", "g": "g", "mL": "mL", "J": "J"}
"""A sheet's units in UCUM (version 2.1). A drug's "unit" has no one code there: it goes as text."""

ACT_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"

BESIDE = {"59408-5": "2708-6"}
"""Codes that the vital-signs profile of FHIR R4 asks for beside a more exact one: of a saturation by
pulse oximetry that of any arterial saturation."""

UNCONFIRMED = "Heard by a machine and confirmed by nobody."

PATIENT = {"display": "the patient of this case, not identified in it"}


def write(case: ExportedCase, stored: StoredCase) -> str:
    """Return the Bundle as indented JSON. Raises UserError for a case that does not say when it began."""
    if case.began is None or case.began.tzinfo is None:
        raise UserError(
            f"{stored.folder} does not say when it began with its time zone, and FHIR asks for it"
        )
    facts = "\n".join(fact_to_json(fact) for fact in stored.facts)
    return json.dumps(_Bundle(case, uuid5(NAMESPACE_URL, facts)).whole(), indent=1) + "\n"


class _Bundle:
    def __init__(self, case: ExportedCase, namespace: UUID) -> None:
        self._told = case
        self._protocol = case.protocol
        self._namespace = namespace
        self._loops = {loop.id: loop for loop, _ in case.view.loops}
        self._ordered = {t.fact for t, _ in case.view.tasks if self._is_drug_order(t)}
        self._states = {loop.fact: (loop, state) for loop, state in case.view.loops}

    def whole(self) -> Resource:
        view = self._told.view
        entries = [
            *(
                (self._urn("order", task.fact), self._order(task, state))
                for task, state in view.tasks
                if self._is_drug_order(task)
            ),
            *(
                (self._urn("task", task.fact), self._task(task, state))
                for task, state in view.tasks
            ),
            *((self._urn("dose", at), self._dose(each)) for at, each in enumerate(view.doses)),
            *((self._urn("vital", each.fact), self._vital(each)) for each in view.vitals),
            *(
                (self._urn("attempt", each.number), self._attempt(each))
                for each in record_of(self._protocol, view).attempts
            ),
            *((self._urn("said", said.fact), self._said(said)) for said in self._spoken()),
        ]
        if entries:
            provenance = self._provenance([urn for urn, _ in entries])
            entries.append((self._urn("provenance", 0), provenance))
        return {
            "resourceType": "Bundle",
            "type": "collection",
            **self._tags(),
            "timestamp": self._told.wall(view.now),
            "entry": [
                {"fullUrl": urn, "resource": {**resource, **self._tags()}}
                for urn, resource in entries
            ],
        }

    def _tags(self) -> Resource:
        """Mark what comes of a drill as test data, so that no record system takes it for a patient's."""
        if not self._told.view.drill:
            return {}
        return {"meta": {"tag": [{"system": ACT_REASON, "code": "HTEST"}]}}

    def _urn(self, kind: str, number: int) -> str:
        return uuid5(self._namespace, f"{kind} {number}").urn

    def _spoken(self) -> Iterator[Utterance]:
        for line in self._told.lines:
            if line.said is not None and line.said.role != "unrecognised":
                yield line.said

    # ------------------------------------------------------------------ resources

    def _is_drug_order(self, task: Task) -> bool:
        return self._protocol.calls[task.call].effect == "order" and "drug" in task.slots

    def _order(self, task: Task, state: TaskState) -> Resource:
        amount, unit = task.slots.get("amount"), str(task.slots.get("unit", ""))
        done = {"done": "Reported given.", "withdrawn": "The order was taken back."}
        resource: Resource = {
            "resourceType": "MedicationRequest",
            "status": {"done": "completed", "withdrawn": "cancelled"}.get(state, "active"),
            "intent": "order",
            "medicationCodeableConcept": {"text": drug(self._protocol, str(task.slots["drug"]))},
            "subject": PATIENT,
            "authoredOn": self._told.wall(task.ordered),
            "note": self._notes(
                task.fact,
                f"Ordered by voice. {done.get(state, 'Not reported given by the end of the case.')}",
            ),
        }
        if isinstance(amount, Decimal):
            dose = _quantity(amount, unit, UCUM_CODES.get(unit))
            resource["dosageInstruction"] = [{"doseAndRate": [{"doseQuantity": dose}]}]
        return resource | self._asked(task, "requester", "performer")

    def _task(self, task: Task, state: TaskState) -> Resource:
        stands = {"done": "reported done", "withdrawn": "taken back", "overdue": "overdue"}
        confirmed = "" if self._confirmed(task.fact) else ", unconfirmed: only heard"
        resource: Resource = {
            "resourceType": "Task",
            "status": {"done": "completed", "withdrawn": "cancelled"}.get(state, "requested"),
            "businessStatus": {"text": f"{stands.get(state, 'not reported done')}{confirmed}"},
            "intent": "order",
            "description": call_in_words(self._protocol, task.call, task.slots),
            "focus": {
                "reference": self._urn("order" if self._is_drug_order(task) else "said", task.fact)
            },
            "for": PATIENT,
            "authoredOn": self._told.wall(task.ordered),
            "note": self._notes(
                task.fact, f"To be reported done by {self._told.wall(task.due)}, by the protocol."
            ),
        }
        if task.done is not None:
            resource["executionPeriod"] = {"end": self._told.wall(task.done)}
        return resource | self._asked(task, "requester", "owner")

    def _asked(self, task: Task, who: str, whom: str) -> Resource:
        """Return who ordered something and whom it was for, under these names, as far as is known."""
        loop = self._loops.get(task.loop)
        known = ((who, loop.sender), (whom, loop.to)) if loop else ()
        return {name: self._station(station_id) for name, station_id in known if station_id}

    def _confirmed(self, fact: int) -> bool:
        """Return whether a person stands for an utterance: entered, amended or confirmed it."""
        line = self._told.line_of.get(fact)
        by_hand = line is not None and (line.kind == "entered" or line.amended)
        return by_hand or fact in self._told.confirmed

    def _unconfirmed(self, facts: Iterable[int], status: str) -> Resource:
        """Return the status of what happened as it may be told: `unknown` where it was only heard."""
        if all(self._confirmed(fact) for fact in facts):
            return {"status": status}
        return {"status": "unknown"}

    def _dose(self, dose: DoseGiven) -> Resource:
        resource: Resource = {
            "resourceType": "MedicationAdministration",
            **self._unconfirmed((dose.fact,), "completed"),
            "medicationCodeableConcept": {"text": drug(self._protocol, dose.drug)},
            "subject": PATIENT,
            "effectiveDateTime": self._told.wall(dose.t),
            "note": self._notes(dose.fact, _given(dose)),
        }
        if resource["status"] == "unknown":
            resource["statusReason"] = [{"text": UNCONFIRMED}]
        if dose.ordered_fact is not None and dose.ordered_fact in self._ordered:
            resource["request"] = {"reference": self._urn("order", dose.ordered_fact)}
        line = self._told.line_of.get(dose.fact)
        if line and line.said and line.said.sender:
            resource["performer"] = [{"actor": self._station(line.said.sender)}]
        if dose.amount is not None:
            # FHIR asks for a dose or a rate in every dosage: without an amount there is none.
            resource["dosage"] = {
                "dose": _quantity(dose.amount, dose.unit, UCUM_CODES.get(dose.unit))
            }
        return resource

    def _vital(self, sign: VitalSign) -> Resource:
        vital = self._protocol.vitals[sign.id]
        unit = vital.ucum or vital.unit
        values = [_quantity(value, vital.unit, unit) for value in sign.values]
        resource: Resource = {
            "resourceType": "Observation",
            "status": "final" if self._confirmed(sign.fact) else "preliminary",
            "category": [{"coding": [{"system": CATEGORY, "code": "vital-signs"}]}],
            "code": _code(vital.panel or next(iter(vital.loinc), None), sign.title),
            "subject": PATIENT,
            "effectiveDateTime": self._told.wall(sign.t),
            "note": self._notes(sign.fact, "Called out by voice, not read from a monitor."),
        }
        if len(values) == 1:
            return resource | {"valueQuantity": values[0]}
        codes = [*vital.loinc, *[None] * len(values)]
        slots = self._slots_of(sign)
        resource["component"] = [
            {"code": _code(code, name), "valueQuantity": value}
            for code, name, value in zip(codes, slots, values, strict=False)
        ]
        return resource

    def _slots_of(self, sign: VitalSign) -> list[str]:
        """Return the name of each value of a sign: the names of the slots that held them."""
        line = self._told.line_of.get(sign.fact)
        slots = line.said.slots if line and line.said else {}
        names = [name for name, value in slots.items() if isinstance(value, Decimal)]
        return names if len(names) == len(sign.values) else [sign.title] * len(sign.values)

    def _attempt(self, attempt: Attempt) -> Resource:
        period = {"start": attempt.began, "end": attempt.ended}
        outcome: str = attempt.outcome
        if attempt.device:
            slots = attempt.device.slots
            outcome += f"; {call_in_words(self._protocol, attempt.device.call, slots)}"
        statuses = {"placed": "completed", "abandoned": "stopped", "going on": "in-progress"}
        resource: Resource = {
            "resourceType": "Procedure",
            **self._unconfirmed(attempt.facts, statuses.get(attempt.outcome, "unknown")),
            "code": {"text": f"Attempt on the airway, number {attempt.number}"},
            "subject": PATIENT,
            "outcome": {"text": outcome},
            "note": self._notes(attempt.facts[0], "As called out by voice."),
        }
        if resource["status"] == "unknown":
            resource["statusReason"] = {"text": UNCONFIRMED}
        known = {name: self._told.wall(t) for name, t in period.items() if t is not None}
        return resource | ({"performedPeriod": known} if known else {})

    def _said(self, said: Utterance) -> Resource:
        loop = None if said.loop is None else self._loops.get(said.loop)
        resource: Resource = {
            "resourceType": "Communication",
            # How the record stands, not how the loop does: a doubtful utterance may never have been.
            "status": "unknown" if said.unsure else "completed",
            "category": [{"text": said.role}],
            "sent": self._told.wall(said.t),
            "payload": [{"contentString": clean(said.text) or "nothing understood"}],
            "note": self._notes(said.fact, self._of_loop(said)),
        }
        if said.call:
            resource["topic"] = {"text": call_in_words(self._protocol, said.call, said.slots)}
        if said.sender:
            resource["sender"] = self._station(said.sender)
        if said.to:
            resource["recipient"] = [self._station(said.to)]
        if loop is not None and loop.fact != said.fact:
            resource["inResponseTo"] = [{"reference": self._urn("said", loop.fact)}]
        return resource

    def _of_loop(self, said: Utterance) -> str:
        """Return the outcome of the call, beside the call itself."""
        if said.fact not in self._states:
            return "Heard by voice."
        loop, state = self._states[said.fact]
        flags = f" ({', '.join(loop.flags)})" if loop.flags else ""
        return f"At the end of the case this call was {state}{flags}."

    def _provenance(self, targets: list[str]) -> Resource:
        engine = self._told.started.engine if self._told.started else ""
        return {
            "resourceType": "Provenance",
            "target": [{"reference": urn} for urn in targets],
            "recorded": self._told.wall(self._told.view.now),
            "activity": {
                "text": f"Speech of a team recognised by {engine or 'hand'} under the protocol"
                f" {self._protocol.protocol.id}. {self._told.counts()} {CAUTION}"
            },
            "agent": [
                {"who": {"display": "answerback, a training and documentation aid for teams"}}
            ],
        }

    # ------------------------------------------------------------------ parts

    def _station(self, station_id: str) -> Resource:
        return {"display": station(self._protocol, station_id)}

    def _notes(self, seq: int, text: str) -> list[Resource]:
        line = self._told.line_of.get(seq)
        if line is not None and line.kind == "entered":
            text += " Entered by hand."
        if line is not None and line.standing:
            text += f" This utterance is {line.standing}."
        if line is not None and line.heard_as:
            text += f" It had been heard as: {clean(line.heard_as)}."
        return [{"text": text}]


def _quantity(value: Decimal, unit: str, code: str | None) -> Resource:
    quantity: Resource = {"value": plain(value), "unit": unit}
    return quantity | ({"system": UCUM, "code": code} if code else {})


def _code(loinc: str | None, text: str) -> Resource:
    """Return the coding of a value measured: with its code where the protocol names one, else in
    words alone."""
    if loinc is None:
        return {"text": text}
    codes = [loinc, BESIDE[loinc]] if loinc in BESIDE else [loinc]
    return {"text": text, "coding": [{"system": LOINC, "code": code} for code in codes]}


def _given(dose: DoseGiven) -> str:
    """Return how a dose is known."""
    if dose.as_ordered:
        return "Reported given by voice, without its dose: that of the order."
    return "Reported given by voice."
