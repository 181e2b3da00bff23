"""Teams drawn from known speakers: figures on prints made up so that it is known what comes out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from grammar.errors import UserError
from listener.bench.known_speakers import known_speakers, parts
from listener.bench.spoken_prints import SpokenPrint
from listener.bench.team_trials import figures_of, team_page, trials
from listener.team.voice_space import NEAREST, Sureness, VoiceSpace

SIZE = 24
PEOPLE = 12
SURENESS = Sureness(3.0, 0.0, 12.0, 0.0)


def space() -> VoiceSpace:
    cohort = np.random.default_rng(1).standard_normal((2 * NEAREST, SIZE)).astype(np.float32)
    cohort /= np.linalg.norm(cohort, axis=1, keepdims=True)
    return VoiceSpace(np.zeros(SIZE, np.float32), np.eye(SIZE, dtype=np.float32), cohort, SURENESS)


def prints(spread: float) -> list[SpokenPrint]:
    """Sentences of people, each around a place of their own; `spread` 0: always the same print."""
    chance = np.random.default_rng(2)
    found = []
    for person in range(PEOPLE):
        place = chance.standard_normal(SIZE)
        for number in range(14):
            made = place / np.linalg.norm(place) + spread * chance.standard_normal(SIZE)
            unit = np.asarray(made / np.linalg.norm(made), np.float32)
            found.append(
                SpokenPrint(
                    speaker=f"p{person:02}",
                    file=f"{number:02}.ogg",
                    cut="whole",
                    seconds=2.0,
                    print=unit,
                )
            )
    return found


def test_voices_that_never_change_are_always_told_and_no_stranger_is() -> None:
    found = figures_of(trials(space(), prints(0.0), teams=20), SURENESS, long=True)
    assert (found.right.share, found.another.share, found.strangers.share) == (1.0, 0.0, 0.0)
    assert (found.right.low, found.right.high) == (1.0, 1.0)
    assert found.right.people == PEOPLE


def test_voices_that_are_all_alike_are_told_as_nobody_s_for_sure() -> None:
    found = figures_of(trials(space(), prints(20.0), teams=20), SURENESS, long=True)
    assert found.right.share < 0.05
    assert abs(found.best.share - 0.2) < 0.15  # one of five, by chance
    assert "of 12 speakers" in team_page({"clean": (found, found)})


def test_five_people_are_no_team_with_strangers() -> None:
    few = [one for one in prints(0.0) if one.speaker < "p05"]
    with pytest.raises(UserError, match="6 are needed"):
        trials(space(), few)


def test_who_trains_and_who_judges_hangs_on_the_name_alone(tmp_path: Path) -> None:
    for person in range(20):
        (tmp_path / f"p{person:02}").mkdir()
        (tmp_path / f"p{person:02}" / "one.wav").touch()
    people = known_speakers(tmp_path)
    found = parts(people)
    assert found == parts(dict(reversed(people.items())))
    assert sum(part == "train" for part in found.values()) == 10
    assert set(found.values()) == {"train", "bounds", "judge"}
    with pytest.raises(UserError, match="no recordings"):
        known_speakers(tmp_path / "p00")
