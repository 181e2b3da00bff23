"""Each drug's total, and what was ordered and not reported given."""

from __future__ import annotations

from decimal import Decimal

from grammar.protocol.loading import load_protocol
from grammar.reports.dose_totals import dose_totals
from tests.support.dialogues import drill


def test_doses_add_up_a_drug_in_one_unit_and_orders_not_done_stand_beside_them() -> None:
    view = drill(
        (0, "give seventy milligrams of ketamine"),
        (4, "seventy milligrams of ketamine"),
        (10, "ketamine in"),
        (150, "give thirty milligrams of ketamine"),
        (154, "thirty milligrams of ketamine"),
        (160, "ketamine in"),
        (170, "give one hundred micrograms of fentanyl"),  # never reported given
        (174, "one hundred micrograms of fentanyl"),
        (180, "draw up fifty milligrams of rocuronium"),  # drawn up is not ordered to be given
        (184, "fifty milligrams of rocuronium"),
        until=400,
    )
    found = {one.drug: one for one in dose_totals(load_protocol("isolation-airway"), view)}
    assert list(found) == ["ketamine", "fentanyl"]
    (ketamine,) = found["ketamine"].given
    assert (ketamine.amount, ketamine.unit, len(ketamine.facts)) == (Decimal(100), "mg", 2)
    assert found["ketamine"].not_reported == ()
    assert found["fentanyl"].given == ()
    (fentanyl,) = found["fentanyl"].not_reported
    assert (fentanyl.amount, fentanyl.unit) == (Decimal(100), "microgram")


def test_a_mass_in_another_unit_is_added_in_the_first_s() -> None:
    view = drill(
        (0, "fentanyl one hundred micrograms in"),
        (150, "fentanyl zero point one milligrams in"),
        until=300,
    )
    (fentanyl,) = dose_totals(load_protocol("isolation-airway"), view)
    assert [(one.amount, one.unit) for one in fentanyl.given] == [(Decimal(200), "microgram")]
