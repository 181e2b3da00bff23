"""The recipe of our acoustic model: that what it makes is right, and that it makes something."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import kaldi_native_fbank as native
import numpy as np
import pytest

from grammar.language.word_network import Network
from listener.training.clips import (
    Job,
    everything_sayable,
    speak_jobs,
)
from tests.support.needs import module, program

needs_espeak = program("espeak-ng")


def test_features_are_kaldis() -> None:
    """Against the package kaldi-native-fbank, which follows Kaldi's fbank and which vosk agrees with."""
    torch = module("torch", "train")
    from listener.training.features import Fbank

    options = native.FbankOptions()
    options.frame_opts.dither = 0
    options.frame_opts.samp_freq = 16000
    options.mel_opts.num_bins = 40
    options.mel_opts.low_freq = 20
    options.mel_opts.high_freq = 7600
    sound = (np.random.default_rng(7).standard_normal(16000) * 1000).astype(np.float32)
    online = native.OnlineFbank(options)
    online.accept_waveform(16000, sound.tolist())
    online.input_finished()
    expected = np.stack([online.get_frame(at) for at in range(online.num_frames_ready)])
    ours = Fbank(torch.device("cpu"))(torch.from_numpy(sound)[None])[0].numpy()
    assert np.abs(ours - expected).max() < 1e-3


def test_the_loss_counts_every_path_in_which_each_phone_is_heard_once() -> None:
    """Against all paths, enumerated."""
    torch = module("torch", "train")
    from listener.training.data import Batch
    from listener.training.train import path_loss

    torch.manual_seed(2)
    guess = torch.randn(3, 6, 40).log_softmax(-1)
    labels, outputs = [[3, 3], [5, 2, 9], []], [6, 5, 6]
    flat = torch.tensor([phone for label in labels for phone in label])
    batch = Batch(
        guess, torch.tensor([3 * count for count in outputs]), flat, torch.tensor([2, 3, 0])
    )
    expected = []
    for clip, (label, count) in enumerate(zip(labels, outputs, strict=True)):
        paths = []
        for places in itertools.combinations(range(count), len(label)):
            emitted = dict(zip(places, label, strict=True))
            paths.append(sum(float(guess[clip, at, emitted.get(at, 0)]) for at in range(count)))
        expected.append(-np.logaddexp.reduce(paths) / 10)  # few labels count as ten
    assert float(path_loss(guess, batch)) == pytest.approx(np.mean(expected), rel=1e-5)


def test_hearings_that_differ_cost_their_divergence_a_label_and_each_learns_from_the_other() -> (
    None
):
    """Against torch.nn.functional.kl_div, over the frames of the clip alone."""
    torch = module("torch", "train")
    from listener.training.data import Batch
    from listener.training.train import disagreement

    torch.manual_seed(3)
    raw = torch.randn(4, 6, 41, requires_grad=True)
    guess = raw.log_softmax(-1)
    outputs, counts = [6, 4, 6, 4], [20, 3, 20, 3]
    flat = torch.zeros(sum(counts), dtype=torch.long)
    frames = torch.tensor([3 * count for count in outputs])
    batch = Batch(guess, frames, flat, torch.tensor(counts), twice=True)
    expected = [
        torch.nn.functional.kl_div(
            guess[row, :length], guess[(row + 2) % 4, :length], reduction="sum", log_target=True
        )
        / max(10, count)
        for row, (length, count) in enumerate(zip(outputs, counts, strict=True))
    ]
    apart = disagreement(guess, batch)
    assert float(apart.detach()) == pytest.approx(float(sum(expected).detach()) / 4, rel=1e-5)
    apart.backward()
    moved = (raw - 5 * raw.grad).log_softmax(-1)
    assert float(disagreement(moved, batch).detach()) < float(apart.detach())
    same = torch.cat([guess[:2], guess[:2]])
    assert float(disagreement(same, batch).detach()) == pytest.approx(0, abs=1e-6)


def test_departure_is_the_divergence_in_clips_without_people_as_far_as_the_old_network_was_right() -> (
    None
):
    """Against torch.nn.functional.kl_div and path_loss, row by row."""
    torch = module("torch", "train")
    from listener.training.data import Batch
    from listener.training.train import departure, path_loss

    torch.manual_seed(4)
    raw = torch.randn(3, 6, 41, requires_grad=True)
    guess, known = raw.log_softmax(-1), torch.randn(3, 6, 41).log_softmax(-1)
    labels, outputs = [[3, 3], [5, 2, 9], [4]], [6, 5, 6]
    people = torch.tensor([False, False, True])

    def batch(*rows: int) -> Batch:
        return Batch(
            guess[list(rows)],
            torch.tensor([3 * outputs[row] for row in rows]),
            torch.tensor([phone for row in rows for phone in labels[row]]),
            torch.tensor([len(labels[row]) for row in rows]),
            people=people[list(rows)],
        )

    expected = 0.0
    for row, length in enumerate(outputs[:2]):
        right = np.exp(-float(path_loss(known[row : row + 1], batch(row))))
        apart = torch.nn.functional.kl_div(
            guess[row, :length], known[row, :length], reduction="sum", log_target=True
        )
        expected += right * float(apart.detach()) / 10  # few labels count as ten
    whole = departure(guess, known, batch(0, 1, 2))
    assert float(whole.detach()) == pytest.approx(expected / 3, rel=1e-5)
    whole.backward()
    assert float(raw.grad[2].abs().max()) == 0  # a person is heard as the label says
    moved = (raw - 5 * raw.grad).log_softmax(-1)
    assert float(departure(moved, known, batch(0, 1, 2)).detach()) < float(whole.detach())


def test_with_faith_a_network_stays_nearer_to_the_one_it_began_with() -> None:
    torch = module("torch", "train")
    from listener.training.data import Batch
    from listener.training.network import Network as Net
    from listener.training.network import Shape
    from listener.training.train import EVEN, Plan, Trained, train

    torch.manual_seed(6)
    began = Net(Shape(first=16, width=24, narrow=8, blocks=2, dropout=0.0))
    with torch.no_grad():
        assert began.out.bias is not None
        began.out.bias[0] = 6.0  # it heard nothing where a phone is to be heard
    features, counts = torch.randn(8, 60, 40), torch.tensor([1] * 8)
    labels, none = torch.randint(1, 41, (8,)), torch.zeros(8, dtype=torch.bool)
    batch = Batch(features, torch.tensor([60] * 8), labels, counts, people=none)
    far = {}
    for faith in (0.0, 50.0):
        plan = Plan(steps=30, seconds=3600, faith=faith, still=True, average_over=2)
        start = Trained(copy.deepcopy(began), EVEN, ())
        made = train(itertools.repeat(batch), began.shape, plan, torch.device("cpu"), start=start)
        with torch.no_grad():
            heard, before = made.network(features), began.eval()(features)
        far[faith] = float((before.exp() * (before - heard)).sum(-1).mean())
    assert far[50.0] < far[0.0] / 2


def test_a_clip_of_two_is_by_people_where_one_of_them_is(tmp_path: Path) -> None:
    torch = module("torch", "train")
    import soundfile

    from listener.training.data import Batches, Store

    voices_ = ("flite/slt", "people/LibriSpeech-1")
    jobs = [
        Job(f"tone-{at}", "call", who, 1.0, "on", ("AA", "N")) for at, who in enumerate(voices_)
    ]
    for job in jobs:
        tone = 0.5 * np.sin(np.arange(16000) / 3)
        soundfile.write(tmp_path / job.file, tone, 16000, format="OGG", subtype="OPUS")
    batches = Batches(Store(jobs, [tmp_path], torch.device("cpu")), 4, seed=1, twice=True)
    made = batches._distorted(np.array([0, 1, 0, 0]), np.array([-1, -1, 1, 0]))
    assert made.people is not None
    assert made.people.tolist() == [False, True, True, False] * 2


def test_a_clip_is_heard_twice_at_the_same_moments_in_two_distortions(tmp_path: Path) -> None:
    torch = module("torch", "train")
    import soundfile

    from listener.training.data import Batches, Store

    jobs = [Job(f"tone-{at}", "call", "flite/slt", 1.0, "on", ("AA", "N")) for at in range(3)]
    for at, job in enumerate(jobs):
        tone = 0.5 * np.sin(2 * np.pi * (300 + 500 * at) * np.arange(16000) / 16000)
        soundfile.write(tmp_path / job.file, tone, 16000, format="OGG", subtype="OPUS")
    torch.manual_seed(4)
    store = Store(jobs, [tmp_path], torch.device("cpu"))
    batch = next(iter(Batches(store, 8, seed=1, twice=True).training()))
    assert batch.twice
    assert len(batch.features) == 16
    for each in (batch.frames, batch.label_counts):
        assert torch.equal(each[:8], each[8:])
    assert not torch.allclose(batch.features[:8], batch.features[8:], atol=1.0)


def test_hidden_parts_are_few_and_hold_the_clips_mean() -> None:
    torch = module("torch", "train")
    from listener.training.distort import hidden_parts

    torch.manual_seed(5)
    features = torch.randn(50, 200, 40)
    heard = hidden_parts(features)
    changed = heard != features
    assert torch.equal(
        heard[changed], features.mean((1, 2), keepdim=True).expand_as(features)[changed]
    )
    assert 0.05 < float(changed.float().mean()) < 2 * (6 / 40 + 11 / 200)


def test_folding_the_normalisations_in_changes_nothing() -> None:
    torch = module("torch", "train")
    from listener.training.export import affines
    from listener.training.network import Network as Net
    from listener.training.network import Shape

    torch.manual_seed(1)
    net = Net(Shape(first=16, width=24, narrow=8, blocks=2, dropout=0.0)).train()
    with torch.no_grad():
        for _ in range(5):
            net(torch.randn(4, 60, 40) * 3 - 2)
    net.eval()
    features = torch.randn(1, 61, 40) * 3 - 2
    padded = torch.cat([features[:, :1]] * 40 + [features] + [features[:, -1:]] * 40, 1)[0].numpy()
    values = {"input": padded}
    for layer in affines(net):
        rows = [np.roll(values[layer.source], -offset, 0) for offset in layer.offsets]
        out = np.concatenate(rows, 1) @ layer.weights.T + layer.bias
        if layer.added:
            out = out + values[layer.added]
        values[layer.out] = np.maximum(out, 0) if layer.rectified else out
    expected = torch.from_numpy(values["last"][40:-40:3]).log_softmax(-1)
    with torch.no_grad():
        assert torch.allclose(net(features)[0], expected, atol=1e-4)


@needs_espeak
@pytest.mark.slow
def test_a_tiny_model_learns_is_exported_and_vosk_hears_what_it_was_trained_on(
    tmp_path: Path,
) -> None:
    torch = module("torch", "train")
    import soundfile

    from listener.recognition.vosk_recogniser import VoskRecogniser
    from listener.training.data import Batches, Store
    from listener.training.export import export
    from listener.training.network import Shape
    from listener.training.train import Plan, train

    torch.set_num_threads(1)  # else its sums, and so the model, differ from run to run
    texts = ["oxygen on", "tube passed", "cuff up", "starting attempt", "second suction", "pulse"]
    lexicon = everything_sayable({})
    jobs = [
        Job(f"tiny-{at}", "call", "espeak/en-us", 1.0, text,
            tuple(phone for word in text.split() for phone in lexicon[word][0]))
        for at, text in enumerate(texts)
    ]  # fmt: skip
    assert speak_jobs(jobs, tmp_path, 1) == len(jobs)
    device = torch.device("cpu")
    batches = Batches(Store(jobs, [tmp_path], device), size=12, seed=1)

    def undistorted() -> Iterator[Any]:
        while True:
            yield batches.plain(range(len(jobs)))

    shape = Shape(first=48, width=96, narrow=0, blocks=3, dropout=0.0)
    plan_ = Plan(seconds=3600, steps=400, report_every=40, average_over=20, rate=4e-3)
    trained = train(undistorted(), shape, plan_, device)
    assert trained.losses[-1] < trained.losses[0] / 5

    export(trained, tmp_path / "final.mdl")
    network = Network(
        arcs=(*_branches(texts), ()), finals=frozenset({sum(len(t.split()) - 1 for t in texts) + 1})
    )
    ear = VoskRecogniser.ours(network, {}, final_mdl=tmp_path / "final.mdl")
    for job in jobs:
        sound, _ = soundfile.read(tmp_path / job.file)
        hearing = ear.open()
        loud = sound * 1000 / np.sqrt(np.mean(sound**2))
        samples = np.concatenate([np.zeros(4000), loud, np.zeros(4000)])
        hearing.accept(samples.astype(np.int16))
        assert " ".join(word.text for word in hearing.finish()) == job.text


def _branches(texts: list[str]) -> list[tuple[tuple[str, int], ...]]:
    """The arcs of a network of these texts, which begin with different words, but its last state."""
    last = sum(len(text.split()) - 1 for text in texts) + 1
    start: list[tuple[str, int]] = []
    rows: list[tuple[tuple[str, int], ...]] = []
    for text in texts:
        first, *rest = text.split()
        start.append((first, len(rows) + 1 if rest else last))
        for at, word in enumerate(rest):
            to = len(rows) + 2 if at + 1 < len(rest) else last
            rows.append(((word, to),))
    return [tuple(start), *rows]
