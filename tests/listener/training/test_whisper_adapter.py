"""Whisper learns our sentences: it is given what the sure ear will hear, and it learns from it."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.recognition.weight_additions import additions_in
from listener.training.clips import Job
from tests.support import needs

WEIGHT = "decoder/layer_5/ffn/linear_1/weight"
TEXTS = ("rocuronium fifty milligrams", "timer sixty", "plan bravo", "drugs in")


@pytest.fixture(scope="module")
def model() -> Path:
    needs.module("torch", "train")
    return needs.whisper()


def _tones(folder: Path) -> list[Job]:
    """Write a clip of two tones for each text: any sound will do to learn words by heart."""
    jobs, at = [], np.arange(16000) / 16000
    folder.mkdir(parents=True)
    for number, text in enumerate(TEXTS):
        sound = np.sin(at * (900 + 700 * number)) + np.sin(at * 2500)
        soundfile.write(folder / f"c{number}.ogg", 0.2 * sound, 16000, format="OGG")
        jobs.append(
            Job(id=f"c{number}", kind="call", voice="kokoro/x", speed=1.0, text=text, phones=())
        )
    return jobs


def test_the_features_are_those_of_the_library(model: Path) -> None:
    """Against faster-whisper's own, which the sure ear uses."""
    import torch
    from faster_whisper.feature_extractor import FeatureExtractor

    from listener.training.whisper_adapter import LogMel, mel_filters

    sound = np.random.default_rng(1).normal(0, 0.1, 32000).astype(np.float32)
    ours = LogMel(mel_filters(), torch.device("cpu"))(torch.from_numpy(sound)[None])[0].numpy()
    theirs = FeatureExtractor()(sound)[:, : ours.shape[1]]
    assert np.abs(ours - theirs).max() < 1e-3


def test_what_is_given_and_wanted_is_a_sentence_as_whisper_writes_it(model: Path) -> None:
    from listener.training.whisper_adapter import BEGIN, END, Spelling

    spelling = Spelling(model / "tokenizer.json")
    assert spelling.text(spelling.of("drugs in")) == " Drugs in."
    assert [spelling.number(name) for name in BEGIN] == [50258, 50259, 50359, 50363]
    assert spelling.number(END) == 50257
    with pytest.raises(KeyError):
        spelling.number("<|no such mark|>")


def test_people_set_apart_and_every_fortieth_clip_only_show_how_a_network_comes_on(
    model: Path, tmp_path: Path
) -> None:
    import torch

    from listener.bench.known_speakers import is_apart
    from listener.training import whisper_adapter as adapter

    torch.manual_seed(5)
    spoken = _tones(tmp_path / "plain")
    made = [replace(spoken[0], id="never-spoken"), *spoken]
    speech = tmp_path / "speech"
    (speech / "sentences").mkdir(parents=True)
    (speech / "noise").mkdir()
    rng = np.random.default_rng(2)
    soundfile.write(speech / "noise" / "n.ogg", rng.normal(0, 0.1, 16000), 16000)
    strangers = [f"s{n}" for n in range(40) if is_apart(f"people/here-s{n}")]
    assert strangers
    with (speech / "sentences" / "manifest.tsv").open("w", newline="") as out:
        rows = csv.writer(out, delimiter="\t")
        rows.writerow(["file", "source", "speaker", "seconds", "words"])
        rows.writerow(["far.ogg", "here", strangers[0], "1.0", "never to be learned"])
        soundfile.write(speech / "sentences" / "far.ogg", rng.normal(0, 0.1, 16000), 16000)

    told: list[str] = []
    course = adapter.Course(seconds=0.5, rate=3e-3, size=4)
    device = torch.device("cpu")
    (taught,) = adapter.learned(
        model,
        made=made,
        folders=[tmp_path / "plain"],
        speech=speech,
        courses=[course],
        device=device,
        tell=told.append,
    )
    # The first synthetic clip that was spoken, and the stranger, only watch: their losses are told.
    assert "5 clips" in told[0] and "2 apart" in told[0]
    assert "people" in told[-1] and "synthetic" in told[-1]
    assert np.abs(taught.additions()[f"{WEIGHT}/up"]).max() > 0


def test_a_network_that_learns_finds_what_it_was_taught_likelier(
    model: Path, tmp_path: Path
) -> None:
    import torch

    from listener.training import whisper_adapter as adapter
    from listener.training.whisper_network import WhisperNetwork

    torch.manual_seed(5)
    device = torch.device("cpu")
    spelling = adapter.Spelling(model / "tokenizer.json")
    mel = adapter.LogMel(adapter.mel_filters(), device)
    job = _tones(tmp_path / "plain")[1]
    sound, _ = soundfile.read(tmp_path / "plain" / job.file, dtype="float32")
    text = spelling.of(job.text)
    given = torch.tensor([[*spelling.begin, *text]])
    wanted = torch.full_like(given, adapter.IGNORED)
    wanted[0, len(spelling.begin) - 1 :] = torch.tensor([*text, spelling.end])
    padded = torch.nn.functional.pad(torch.from_numpy(sound)[None], (0, 16000))
    lesson = adapter.Lesson(mel(padded), given, wanted)
    network = WhisperNetwork.of(model / "model.bin")
    learner = adapter.Learner(network, adapter.Course(seconds=1.0, rate=3e-3))
    losses = [learner.learn(lesson, 0.5) for _ in range(8)]
    assert losses[-1] < 0.5 * losses[0]


def test_a_share_of_what_was_learned_is_kept_as_the_sure_ear_reads_it(
    model: Path, tmp_path: Path
) -> None:
    import torch

    from listener.training import whisper_adapter as adapter
    from listener.training.whisper_network import WhisperNetwork

    network = WhisperNetwork.of(model / "model.bin")
    with torch.no_grad():
        for part in network.parameters():
            part.uniform_(-0.5, 0.5)
    adapter.keep_additions(tmp_path / "half.npz", network, kept=0.5)
    half = additions_in(tmp_path / "half.npz")
    whole = network.additions()
    assert np.allclose(half.pairs[WEIGHT][0], 0.5 * whole[f"{WEIGHT}/up"], atol=1e-3)
    assert np.array_equal(half.pairs[WEIGHT][1], whole[f"{WEIGHT}/down"])
