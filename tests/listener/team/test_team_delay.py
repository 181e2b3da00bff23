"""The time it takes to say who spoke is printed by the bench, for real comparisons of the sample cards."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.errors import UserError
from listener.bench.known_speakers import known_speakers
from listener.bench.team_delay import bench_delay, delay_page
from tests.listener.team.test_card_in_case import card_sounds

STATIONS = ("team-leader", "airway-operator", "drugs-nurse", "anteroom", "outside")


def test_each_comparison_is_timed_and_too_few_people_are_told(tmp_path: Path) -> None:
    for station in STATIONS:
        (tmp_path / station).mkdir()
        for number, sound in enumerate(card_sounds(station)[:7]):
            soundfile.write(tmp_path / station / f"{number}.wav", sound, 16_000)
    people = known_speakers(tmp_path)
    found = bench_delay(people, "clean", lambda _: None, utterances=4)
    assert len(found.clock_s) == len(found.processor_s) == len(found.speech_s) == 4
    assert all(0 < each < 30 for each in found.clock_s)
    figures = found.as_dict()
    assert figures["clock_p95_ms"] == pytest.approx(
        1000 * float(np.percentile(found.clock_s, 95)), abs=0.1
    )
    assert f"| clean | 4 | {figures['clock_p50_ms']} |" in delay_page({"clean": found})
    with pytest.raises(UserError, match="5 are needed"):
        bench_delay(dict(list(people.items())[:4]), "clean", lambda _: None)
