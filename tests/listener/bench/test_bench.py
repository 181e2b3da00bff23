"""The bench: that its figures are what they are called, and that the command prints them."""

from __future__ import annotations

import json
import random
import shutil
from importlib.resources import files
from pathlib import Path

import jiwer
import numpy as np
import pytest
import soundfile

from grammar.case.facts import Heard
from grammar.case.fold import Case
from grammar.errors import UserError
from grammar.language.parse import Understanding
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.bench.clips import Truth, read_folder
from listener.bench.conditions import active_level, applied
from listener.bench.figures import Tally, delays, figures, reliability
from listener.bench.hearing import Caught
from listener.bench.judging import Claim, Verdict, judge_clip
from tui.cli import main

AIRWAY = load_protocol("isolation-airway")
UNDERSTANDING = Understanding(AIRWAY)
SEVENTY = {"drug": "ketamine", "amount": 70, "unit": "mg"}


def truth(words: str, **more: object) -> Truth:
    spoken = {"t": 1.0, "until": 3.0, "from": "speaker", "words": words, **more}
    return Truth.model_validate({"voice": {"speaker": "one"}, "utterance": [spoken]})


def heard(words: str, confidence: float = 1.0, stored: float = 3.4) -> list[Caught]:
    spoken = tuple(Word(word, 1.0, 3.0, confidence) for word in words.split())
    said = Case(AIRWAY).add(Heard(seq=1, t=1.0, until=3.0, words=spoken))
    assert said
    return [Caught(said, stored)]


def judged(said: str, got: str, confidence: float = 1.0) -> Verdict:
    order = truth(said, role="call", call="give-drug", slots=SEVENTY)
    return judge_clip(order, UNDERSTANDING, heard(got, confidence) if got else [])


def test_an_order_heard_in_other_words_of_the_same_meaning_is_right() -> None:
    answer = judged("give seventy milligrams of ketamine", "give ketamine seventy").answers[0]
    assert answer.right
    assert answer.edits > 0
    assert not answer.silent


def test_another_amount_is_a_silent_error_unless_it_is_marked_unsure() -> None:
    said, got = "give seventy milligrams of ketamine", "give seventeen milligrams of ketamine"
    sure, unsure = judged(said, got).answers[0], judged(said, got, 0.1).answers[0]
    assert (sure.right, sure.silent, sure.wrong_stake) == (False, True, True)
    assert (unsure.right, unsure.silent, unsure.wrong_stake) == (False, False, True)


def test_a_call_heard_as_noise_is_lost_and_no_silent_error() -> None:
    for got in ("", "[unk]"):
        answer = judged("give seventy milligrams of ketamine", got).answers[0]
        assert answer.lost
        assert not answer.right
        assert not answer.silent


def test_what_is_heard_in_chatter_is_a_false_call_by_the_seconds_of_chatter() -> None:
    tally = Tally()
    tally.add(
        judge_clip(truth("my cat likes tea", role="chatter"), UNDERSTANDING, heard("ketamine in"))
    )
    tally.add(judge_clip(truth("nice weather", role="chatter"), UNDERSTANDING, heard("[unk]")))
    found = figures(tally)
    assert found.false_calls == 1
    assert found.false_per_ten_minutes == pytest.approx(600 / 4)
    assert found.right.total == 0


def test_the_delay_is_counted_from_the_end_of_the_voice() -> None:
    assert judged("x", "give ketamine seventy").answers[0].delay_s == pytest.approx(0.4)
    late = delays([0.3, 0.4, 0.5])
    assert late
    assert late.median == pytest.approx(0.4)
    assert late.percentile_95 == pytest.approx(np.percentile([0.3, 0.4, 0.5], 95))


def test_the_word_error_rate_agrees_with_jiwer() -> None:
    rng = random.Random(5)
    words = ["give", "ketamine", "seventy", "seventeen", "milligrams", "of", "in", "over", "copy"]
    tally, said, got = Tally(), [], []
    for _ in range(200):
        one = rng.choices(words, k=rng.randint(1, 9))
        other = [word for word in one if rng.random() > 0.2] + rng.choices(
            words, k=rng.randint(0, 2)
        )
        other = other or ["over"]
        said.append(" ".join(one))
        got.append(" ".join(other))
        spoken = truth(said[-1], role="call", call="give-drug", slots=SEVENTY)
        tally.add(judge_clip(spoken, UNDERSTANDING, heard(got[-1])))
    assert figures(tally).word_error_rate == pytest.approx(jiwer.wer(said, got))


def test_confidence_that_means_what_it_says_has_no_calibration_error() -> None:
    honest = [Claim(0.85, at < 85, False) for at in range(100)]
    boastful = [Claim(0.95, at < 50, False) for at in range(100)]
    assert reliability(honest).error == pytest.approx(0.0)
    assert reliability(boastful).error == pytest.approx(0.45)
    assert reliability([*honest, *boastful]).error == pytest.approx(0.225)
    assert [one.count for one in reliability([*honest, *boastful]).bins] == [100, 100]


def test_the_radio_loses_the_first_150_ms_of_speech_in_one_clip_of_ten() -> None:
    """Silence before the voice is not what is lost; the times of the truth stay true."""
    speech = np.concatenate([np.zeros(8000), np.sin(np.arange(16000) / 5), np.zeros(8000)])
    lost = 0
    for seed in range(300):
        sound = applied("radio", speech, seed) / 32768
        assert len(sound) == len(speech)
        onset = active_level(sound[8000:10400]) < 0.3 * active_level(sound[12000:16000])
        lost += onset
    assert 15 <= lost <= 45  # 30 expected; a binomial share of 300 strays no further


def test_a_clip_without_its_truth_is_named(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "one.wav", np.zeros(1600), 16000)
    with pytest.raises(UserError, match=r"one\.toml is missing"):
        read_folder(tmp_path)
    (tmp_path / "one.toml").write_text('[[utterance]]\nt = "soon"\n')
    with pytest.raises(UserError, match=r"one\.toml: utterance\.0\.t"):
        read_folder(tmp_path)
    with pytest.raises(UserError, match="holds no clips"):
        read_folder(files("grammar.protocol") / "shipped")  # type: ignore[arg-type]


def of_the_quick_clip(folder: Path) -> list[str]:
    """The bench's arguments, for a folder that holds this one clip."""
    sample = Path(str(files("sample_audio_synthetic")))
    for name in ("quick-clip.flac", "quick-clip.toml"):
        shutil.copy(sample / name, folder)
    return [str(folder), "--condition", "clean", "--real-pace", "0"]


@pytest.mark.slow
def test_the_command_prints_the_figures_of_a_drill_and_draws_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = of_the_quick_clip(tmp_path)
    picture = tmp_path / "picture.svg"
    assert main(["bench", *options, "--json", "--plot", str(picture)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["conditions"]["clean"]["right"]["value"] == 1.0
    assert found["conditions"]["clean"]["right"]["low"] < 1.0
    assert found["conditions"]["clean"]["silent"]["count"] == 0
    assert found["real_time_factor"] < 1.0
    assert "<svg" in picture.read_text(encoding="utf-8")
    assert main(["bench", *options, "--plot", "picture.gif"]) == 2


@pytest.mark.slow
def test_engines_are_compared_side_by_side_on_the_same_clips(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = of_the_quick_clip(tmp_path)
    assert main(["bench", *options, "--beside", "pocketsphinx"]) == 0
    told = capsys.readouterr().out.splitlines()
    (head,) = (line for line in told if line.startswith("|  |"))
    assert head.index("our English model") < head.index("pocketsphinx")
    (right,) = (line for line in told if line.startswith("| clean: call and slots right"))
    ours, other = (float(cell.split()[0]) for cell in right.split("|")[2:4])
    assert ours == 100.0
    assert other < ours
    assert main(["bench", *options, "--beside", "nowhere"]) == 2
