"""The ear that understood most of a team's cards listens, unless the usual one is about as good."""

from __future__ import annotations

import pytest

from listener.team.ear_comparison import SURE, EarScore, best_quick, table, together


def scores(usual: int, other: int, sure: int = 12) -> list[EarScore]:
    return [
        EarScore(name="ours", recogniser="auto", model="", right=usual, of=13),
        EarScore(name="another", recogniser="vosk", model="/models/another", right=other, of=13),
        EarScore(name=SURE, recogniser="", model="", right=sure, of=13),
    ]


def test_cards_are_added_up_over_the_team() -> None:
    whole = together([scores(5, 9), scores(7, 8)])
    assert [(one.right, one.of) for one in whole] == [(12, 26), (17, 26), (24, 26)]
    assert table(whole) == "ours 12, another 17, sure ear 24 of 26 sentences"


def test_an_ear_that_did_not_hear_every_card_is_left_out() -> None:
    assert [one.name for one in together([scores(5, 9), scores(7, 8)[:1]])] == ["ours"]
    assert together([]) == []


@pytest.mark.parametrize(
    ("usual", "other", "best"), [(9, 9, "ours"), (9, 10, "ours"), (9, 11, "another")]
)
def test_another_ear_must_be_clearly_better(usual: int, other: int, best: str) -> None:
    found = best_quick(scores(usual, other))
    assert found is not None
    assert found.name == best


def test_the_sure_ear_is_no_quick_one() -> None:
    found = best_quick(scores(1, 0, sure=13))
    assert found is not None
    assert found.name == "ours"
    assert best_quick([]) is None
