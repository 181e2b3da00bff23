"""Points that a reader raised who was not told what is planted in the faulty drill, each held on its own.

No source: what a page has to show so that it is not misread is the judgement of that reader and ours.
"""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
import soundfile

from grammar.case.doses import DoseGiven, Task
from grammar.case.facts import CaseEnded, CaseStarted, Fact
from grammar.protocol.loading import load_protocol
from grammar.reports.measures import HOLDS_S, below
from listener.storage.case_reader import StoredCase, open_case
from tests.support.drills import spoken_case
from tests.support.screens import heard
from tests.support.stored_cases import store
from tui.pages.debrief.content import Debrief, Figure, Grid, Item, Items, as_page
from tui.pages.debrief.html import as_html
from tui.pages.debrief.one_case import CaseDebrief
from tui.pages.debrief.sound import AFTER_S, BEFORE_S, clip
from tui.pages.debrief.waiting import COUNTED
from tui.pages.handover import handover_page
from tui.pages.page import as_text
from tui.text.doses import against_order

AROUND = BEFORE_S + AFTER_S


@pytest.fixture
def faulty(tmp_path: Path) -> Debrief:
    return CaseDebrief(spoken_case("faulty-drill", tmp_path), (), sound=False).debrief()


def case_of(folder: Path, *facts: Fact) -> StoredCase:
    """A stored case of these facts by the usual protocol, for an invented patient of 70 kg."""
    start = CaseStarted(protocol="isolation-airway", weight_kg=70, drill=True)
    whole = tuple(replace(fact, seq=seq) for seq, fact in enumerate((start, *facts), start=1))
    return StoredCase(folder, load_protocol("isolation-airway"), whole, ())


def items(found: Debrief) -> list[Item]:
    """The moments of the agenda and of what else went otherwise."""
    lists = [part for each in found.sections for part in each.parts if isinstance(part, Items)]
    return [item for each in lists for item in each.items]


def item(found: Debrief, badge: str) -> Item:
    return next(each for each in items(found) if each.badge == badge)


def grid(found: Debrief, title: str) -> Grid:
    grids = (part for each in found.sections for part in each.parts if isinstance(part, Grid))
    return next(each for each in grids if each.title == title)


def seconds(uri: str) -> float:
    sound, rate = soundfile.read(io.BytesIO(base64.b64decode(uri.partition(",")[2])))
    return float(len(sound)) / float(rate)


# ---------------------------------------------------------------------- the silence after a call


def test_the_sound_of_a_call_that_nobody_answered_goes_on_to_the_end_of_its_window(
    tmp_path: Path,
) -> None:
    folder = store(
        tmp_path,
        (
            heard(3, "outside start timer three minutes"),
            heard(20, "anteroom send in the bougie"),
            heard(38, "sending in the bougie"),
            CaseEnded(t=45.0),
        ),
        sound=True,
    )
    window = load_protocol("isolation-airway").window("start-timer")
    found = CaseDebrief(open_case(folder), (), sound=True).debrief()
    silence = item(found, "Unanswered")
    assert seconds(silence.sound) == pytest.approx(1.5 + window + AROUND, abs=0.1)
    # Of one that was answered late, the window and then the answer: what lies between is left out.
    late = item(found, "Answered late")
    window = load_protocol("isolation-airway").window("send-in")
    assert seconds(late.sound) == pytest.approx(1.5 + window + AROUND + 1.2 + AROUND, abs=0.1)


def test_sound_that_two_stretches_share_is_heard_once(tmp_path: Path) -> None:
    kept = open_case(store(tmp_path, sound=True))
    assert seconds(clip(kept, [(10.0, 30.0), (2.0, 12.0)])) == pytest.approx(28 + AROUND, abs=0.1)


# ---------------------------------------------------------------------- a line that is not known


def test_a_saturation_that_nobody_called_for_long_is_drawn_by_the_rule_of_the_table(
    tmp_path: Path,
) -> None:
    stored = case_of(
        tmp_path,
        heard(10, "sats eighty eight percent"),
        heard(40, "sats ninety six percent"),
        heard(240, "sats eighty nine percent"),
        CaseEnded(t=260.0),
    )
    found = below(stored.view(), "saturation", Decimal(90))
    assert (found.seconds, found.known_s) == (30 + 20, 30 + HOLDS_S + 20)
    debrief = CaseDebrief(stored, (), sound=False).debrief()
    drawn = next(
        part
        for each in debrief.sections
        for part in each.parts
        if isinstance(part, Figure) and part.title.startswith("Vital signs")
    )
    (line,) = [part for part in drawn.svg.split("<path ") if 'class="trend"' in part]
    assert line.count("M") == 2  # from 10 s to 100 s, and from 240 s on
    low = grid(debrief, "Vital signs called out").rows[0][-1]
    assert low.text == "50 s below 90, of 110 s"
    for told in (drawn.note, grid(debrief, "Vital signs called out").note):
        assert f"{HOLDS_S:g} s at most" in told


# ---------------------------------------------------------------------- what may have been the report


def test_speech_that_was_not_understood_is_told_at_the_order_that_was_never_reported_done(
    faulty: Debrief,
) -> None:
    found = item(faulty, "Not reported done")
    assert [line[:6] for line in found.perhaps] == ["02:32 ", "04:04 ", "04:07 "]
    page = as_html(faulty)
    assert "may have been the report" in page
    assert "may have been the report" in as_text(as_page(faulty), 100)
    others = [each for each in items(faulty) if each.badge != "Not reported done"]
    assert others and not any(each.perhaps for each in others)


def test_an_order_that_was_reported_late_has_its_report_and_needs_no_guess(tmp_path: Path) -> None:
    stored = case_of(
        tmp_path,
        heard(10, "drugs nurse give ketamine ninety milligrams"),
        heard(16, "ketamine ninety milligrams"),
        heard(30, "what is for lunch"),
        heard(120, "ketamine in"),
        CaseEnded(t=200.0),
    )
    found = item(CaseDebrief(stored, (), sound=False).debrief(), "Not reported done")
    assert found.detail.endswith("reported done later")
    assert not found.perhaps


def test_speech_long_after_the_order_is_no_guess_at_its_report(tmp_path: Path) -> None:
    stored = case_of(
        tmp_path,
        heard(10, "drugs nurse give ketamine ninety milligrams"),
        heard(16, "ketamine ninety milligrams"),
        heard(30, "what is for lunch"),
        heard(300, "has anybody a pen"),
        CaseEnded(t=320.0),
    )
    found = item(CaseDebrief(stored, (), sound=False).debrief(), "Not reported done")
    assert [line[:6] for line in found.perhaps] == ["00:30 "]


# ---------------------------------------------------------------------- a correction


def test_a_correction_shows_where_its_drug_is_told(faulty: Debrief) -> None:
    moment = item(faulty, "Read-back differs")
    assert [line.partition(" ")[0] for line in moment.words] == ["03:19", "03:23", "03:25", "03:27"]
    assert "“negative seventy”" in moment.words[2]
    rows = {row[1].text: row for row in grid(faulty, "Doses reported given").rows}
    assert rows["ketamine"][-1].text == "read back 17 mg, corrected at 03:25"
    assert rows["ketamine"][-1].facts
    assert rows["suxamethonium"][-1].text == ""


def test_an_order_that_its_caller_corrected_says_when(tmp_path: Path) -> None:
    stored = case_of(
        tmp_path,
        heard(10, "drugs nurse give ketamine ninety milligrams"),
        heard(14, "correction eighty milligrams"),
        heard(18, "ketamine eighty milligrams"),
        heard(25, "ketamine eighty milligrams in"),
        CaseEnded(t=60.0),
    )
    (row,) = grid(CaseDebrief(stored, (), sound=False).debrief(), "Doses reported given").rows
    assert (row[4].text, row[5].text, row[6].text) == ("80 mg at 00:10", "", "corrected at 00:14")


# ---------------------------------------------------------------------- another dose than was ordered


def other_dose(folder: Path) -> StoredCase:
    return case_of(
        folder,
        heard(10, "drugs nurse give ketamine ninety milligrams"),
        heard(16, "ketamine ninety milligrams"),
        heard(25, "ketamine thirty milligrams in"),
        CaseEnded(t=60.0),
    )


def test_a_dose_far_from_its_order_is_told_in_words_and_in_red(tmp_path: Path) -> None:
    found = CaseDebrief(other_dose(tmp_path), (), sound=False).debrief()
    moment = item(found, "Other dose than ordered")
    assert moment.wrong
    assert moment.detail == "60 mg less than ordered, 33 % of it"
    (row,) = grid(found, "Doses reported given").rows
    assert (row[2].text, row[2].wrong) == ("30 mg", True)
    assert (row[4].text, row[5].text) == ("90 mg at 00:10", "60 mg less than ordered, 33 % of it")
    page = as_html(found)
    assert '<li class="wrong">' in page
    assert '<td class="wrong"><a href="#f4">30\N{NO-BREAK SPACE}mg' in page.replace(
        " mg</a>", "\N{NO-BREAK SPACE}mg</a>"
    )
    assert ".items li.wrong { border-left-color: var(--conflict); }" in page


def test_a_handover_tells_it_beside_the_dose(tmp_path: Path) -> None:
    stored = other_dose(tmp_path)
    page = as_text(handover_page(stored.protocol, stored.view()), 120)
    assert "30 mg, 60 mg less than ordered, 33 % of it" in page


def test_a_dose_as_it_was_ordered_is_not_red(faulty: Debrief) -> None:
    assert not any(cell.wrong for row in grid(faulty, "Doses reported given").rows for cell in row)
    assert 'class="wrong"' not in as_html(faulty)


@pytest.mark.parametrize(
    ("given", "ordered", "told"),
    [
        (("700", "mg"), ("70", "mg"), "630 mg more than ordered, 10 times as much"),
        (("100", "microgram"), ("0.1", "mg"), ""),
        (("1", "mg"), ("100", "microgram"), "900 microgram more than ordered, 10 times as much"),
        (("80", "mg"), ("70", "mg"), "10 mg more than ordered, 110 % of it"),
        (("7", "mg"), ("70", "mg"), "63 mg less than ordered, 10 % of it"),
        (("5", "mL"), ("5", "mg"), "ordered in mg, reported in mL"),
        (("5", "mg"), (None, "mg"), ""),
        ((None, ""), ("5", "mg"), ""),
    ],
)
def test_only_the_difference_of_two_amounts_that_were_called_out_is_told(
    given: tuple[str | None, str], ordered: tuple[str | None, str], told: str
) -> None:
    amount, unit = given
    dose = DoseGiven("ketamine", Decimal(amount) if amount else None, unit, 30.0, 3, 2)
    slots: dict[str, str | Decimal] = {"drug": "ketamine", "unit": ordered[1]}
    if ordered[0]:
        slots["amount"] = Decimal(ordered[0])
    assert against_order(dose, Task(2, "give-drug", slots, 10.0, 70.0, 2)) == told


# ---------------------------------------------------------------------- the order of the page


def test_agenda_then_score_then_numbers_then_log(faulty: Debrief) -> None:
    page = as_html(faulty)
    places = [page.index(f'<h2 id="{name}"') for name in ("agenda", "objectives", "story")]
    places += [page.index('<dl class="headline">'), page.index('<h2 id="communication"')]
    places += [page.index('<h2 id="log"')]
    assert places == sorted(places)
    text = as_text(as_page(faulty), 100)
    assert text.index("Three moments worth") < text.index("-- In short")


# ---------------------------------------------------------------------- how times are counted


def test_the_page_says_once_from_where_to_where_times_count_and_counts_so(tmp_path: Path) -> None:
    stored = case_of(
        tmp_path,
        heard(10, "drugs nurse give ketamine ninety milligrams"),  # to 11.8
        heard(16, "ketamine ninety milligrams"),  # to 16.9
        heard(25, "ketamine ninety milligrams in"),  # to 26.2
        CaseEnded(t=60.0),
    )
    found = CaseDebrief(stored, (), sound=False)
    page = as_html(found.debrief())
    assert page.count(COUNTED) == 1
    assert COUNTED.count(".") == 1
    (waited,), (done,) = found.measures.read_back, found.measures.done
    assert waited.seconds == pytest.approx(16 - 11.8)  # from an end to a beginning
    assert done.seconds == pytest.approx(25 - 10)  # from a beginning to a beginning
