"""Bounds of doubt fitted to a team: never less strict, near to those that ship, only where they hold."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from grammar.case.facts import Heard, SecondHearing, Warned
from grammar.case.fold import Case
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN, network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.sources import AudioFile
from listener.confidence.judging_two_ears import ALONE
from listener.confidence.storing_verdicts import SecondHearings
from listener.confidence.stretch import Told
from listener.confidence.team_strictness import for_team
from listener.live import Live, Opening
from listener.recognition.calibration import DoubtBounds, less_sure, two_ears
from listener.recognition.engines import choose
from listener.recognition.vosk_recogniser import FITTED_MODEL, OUR_MODEL
from listener.team.doubt_fitting import BOTH, PRIOR, Weighed, bounds_of, fit_bound
from listener.team.member import as_json, from_json
from tests.listener.confidence.test_supervised_sure_ear import Fake, stretch
from tests.listener.team.test_voices_kept import somebody
from tests.support.kept_cases import BEGAN, begin
from tests.support.places import SAMPLES


def card(right: float, sure: float = 0.9, count: int = 60, ear: str = BOTH) -> list[Weighed]:
    """Sentences of which a share is right, each third kept aside."""
    chance = np.random.default_rng(3)
    return [
        Weighed(
            ear=ear,
            confidence=sure,
            right=bool(chance.random() < right),
            bound=0.85,
            aside=at % 3 == 0,
        )
        for at in range(count)
    ]


def test_an_ear_that_is_wrong_more_often_than_it_says_is_held_more_strictly() -> None:
    found = fit_bound(card(right=0.5))
    assert found is not None
    assert found.stricter > 1.0
    assert found.silent_after < found.silent_before
    assert "stricter bounds of doubt for this team" in found.in_words


@pytest.mark.parametrize("right", [0.9, 1.0])
def test_an_ear_as_good_as_it_says_or_better_is_never_made_surer(right: float) -> None:
    found = fit_bound(card(right, count=240))
    assert found is not None
    assert found.stricter < 0.4
    if right == 1.0:
        assert (found.stricter, found.tried) == (0.0, 0.0)
        assert "the bounds of doubt that ship stand" in found.in_words


def test_the_fit_is_the_largest_posterior() -> None:
    """Held to scipy's minimiser."""
    told = card(right=0.6, count=90)
    rest = [one for one in told if not one.aside]

    def cost(by: float) -> float:
        odds = math.log(0.9 / 0.1) - by
        share = 1 / (1 + math.exp(-odds))
        likelihood = sum(math.log(share if one.right else 1 - share) for one in rest)
        return by**2 / (2 * PRIOR**2) - likelihood

    found = fit_bound(told)
    assert found is not None
    best = minimize_scalar(cost, bounds=(0.0, 4.0), method="bounded").x
    assert found.tried == pytest.approx(best, abs=0.05)


def test_the_third_kept_aside_decides() -> None:
    told = [one if not one.aside else replace(one, right=True) for one in card(right=0.4)]
    found = fit_bound(told)
    assert found is not None
    assert found.tried > 0.5
    assert found.stricter == 0.0
    assert "no better" in found.in_words


def test_few_sentences_stay_near_what_ships_and_too_few_change_nothing() -> None:
    few, many = fit_bound(card(right=0.3, count=15)), fit_bound(card(right=0.3, count=150))
    assert few is not None and many is not None
    assert few.tried < many.tried
    assert fit_bound(card(right=0.3, count=9)) is None
    assert bounds_of([], OUR_MODEL).bounds == DoubtBounds()


def test_each_ear_has_its_own_and_a_fitted_network_that_of_its_origin() -> None:
    told = [*card(right=0.4, ear=OUR_MODEL), *card(right=1.0)]
    own = bounds_of(told, OUR_MODEL)
    assert own.bounds.quick > 0.5
    assert own.bounds.both == 0.0
    assert bounds_of(told, FITTED_MODEL) == own
    assert bounds_of(told, "pocketsphinx").bounds == DoubtBounds()


@pytest.mark.parametrize("sure", [0.0, 0.3, 0.85, 0.9999, 1.0])
def test_less_sure_is_never_surer(sure: float) -> None:
    assert less_sure(sure, 0.0) == sure
    assert less_sure(sure, 1.0) <= sure


def test_they_are_kept_with_the_voice_and_an_older_voice_has_none() -> None:
    member = replace(somebody("Kim"), weighed=tuple(card(right=0.5, count=4)))
    text = as_json(member)
    assert from_json(text, "here").weighed == member.weighed
    older = text.replace('"weighed"', '"else"')
    assert from_json(older, "here").weighed == ()


def heard_strictly(bounds: DoubtBounds, folder: Path) -> list[Heard]:
    """The utterances of the sample clip, heard with bounds of doubt."""
    protocol = load_protocol("isolation-airway")
    ear = choose("auto", network(protocol), protocol.pronunciations)
    source, journal = AudioFile(SAMPLES / "quick-clip.flac"), begin(folder)
    live = Live(
        source=source,
        recogniser=ear,
        case=(case := Case(protocol)),
        journal=journal,
        observer=Nobody(),
        flac_writer=None,
        clock=lambda: BEGAN,
        bounds=bounds,
    )
    live.begin(Opening(weight_kg=70.0, source="a clip", engine=ear.name, recording=False))
    live.run()
    return [fact for fact in case.facts if isinstance(fact, Heard)]


class Nobody:
    def heard(self, _fact: object, _utterance: object) -> None: ...
    def speaking(self, _channel: int, _words: str) -> None: ...
    def block(self, _t: float, _levels: object) -> None: ...


def test_a_case_tells_each_call_less_surely_and_loses_none(tmp_path: Path) -> None:
    usual = heard_strictly(DoubtBounds(), tmp_path / "usual")
    strict = heard_strictly(DoubtBounds(quick=1.5), tmp_path / "strict")
    assert [one.text for one in strict] == [one.text for one in usual]
    calls = [both for both in zip(usual, strict, strict=True) if both[0].text != UNKNOWN]
    assert calls
    for before, after in calls:
        assert after.confidence == less_sure(before.confidence or 0.0, 1.5)
        assert dict(after.evidence) == {**dict(before.evidence), "stricter": 1.5}


@pytest.mark.parametrize("stricter", [0.0, 2.0])
def test_what_both_ears_make_of_it_is_told_less_surely(stricter: float) -> None:
    stored: list[Heard | SecondHearing | Warned] = []
    second = SecondHearings(
        Fake("listens"),
        Understanding(load_protocol("isolation-airway")),
        two_ears(),
        lambda fact: stored.append(for_team(fact, stricter)),
        live=False,
    )
    heard = Heard(seq=7, t=1.0, until=3.0, words=(Word(UNKNOWN, 1.0, 3.0, 0.9),), confidence=0.9)
    second.ended(stretch(Told(7, heard, heard.words)))
    (found,) = stored
    assert isinstance(found, SecondHearing)
    assert ("one-ear" in found.doubts) == ((found.confidence or 0.0) < ALONE)
    assert dict(found.evidence).get("stricter", 0.0) == stricter
