"""The quick ear's network takes steps towards a team's cards: held to the training recipe, to Kaldi's
features, and to what the decoder then hears."""

from __future__ import annotations

from pathlib import Path

import kaldi_native_fbank as knf
import numpy as np
import pytest
import soundfile

from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from listener.audio.samples import Samples
from listener.recognition.network_file import affines_of, with_affines
from listener.recognition.recogniser import heard_words
from listener.recognition.vosk_recogniser import VoskRecogniser
from listener.team.log_mel import log_mel
from listener.team.network_fitting import fit, is_better, shipped_network
from listener.team.network_steps import Said, Steps, TeamNetwork, paths
from tests.support.places import SAMPLES

PHONES = ((3, 7, 7, 9, 20, 5), (4, 5, 6, 40, 2, 8, 9, 10, 11, 12, 13, 30))


@pytest.fixture(scope="module")
def sound() -> Samples:
    found, _ = soundfile.read(SAMPLES / "card-drugs-nurse.flac", dtype="int16", frames=16_000 * 9)
    return np.asarray(found, np.int16)


@pytest.fixture(scope="module")
def said(sound: Samples) -> list[Said]:
    pieces = (sound[16_000:64_000], sound[80_000:143_777])
    return [Said(log_mel(piece), phones) for piece, phones in zip(pieces, PHONES, strict=True)]


def test_features_are_kaldi_s(sound: Samples) -> None:
    options = knf.FbankOptions()
    options.frame_opts.dither = 0.0
    options.mel_opts.num_bins = 40
    options.mel_opts.high_freq = 7600.0
    kaldi = knf.OnlineFbank(options)
    kaldi.accept_waveform(16_000, sound.astype(np.float32).tolist())
    wanted = np.stack([kaldi.get_frame(at) for at in range(kaldi.num_frames_ready)])
    found = log_mel(sound)
    assert found.shape == wanted.shape
    assert np.abs(found - wanted).max() < 0.02


def test_the_network_and_its_slopes_are_those_of_the_training_recipe(said: list[Said]) -> None:
    torch = pytest.importorskip("torch")
    from listener.training.data import Batch
    from listener.training.shipped import read_final_mdl
    from listener.training.train import path_loss

    path = Path("listener/recognition/acoustic_model/final.mdl")
    own, wanted = TeamNetwork(path.read_bytes()), read_final_mdl(path).network
    loss = torch.zeros(())
    for one, found in zip(said, own.outputs(said), strict=True):
        out = wanted(torch.from_numpy(one.features)[None])
        assert np.abs(found - out[0].detach().numpy()).max() < 1e-3
        batch = Batch(
            features=torch.from_numpy(one.features)[None],
            frames=torch.tensor([len(one.features)]),
            labels=torch.tensor(one.phones),
            label_counts=torch.tensor([len(one.phones)]),
        )
        cost = path_loss(out, batch)
        assert paths(found, one.phones)[0] / max(len(one.phones), 10) == pytest.approx(
            float(cost.detach()), rel=1e-4
        )
        loss = loss + cost / len(said)
    loss.backward()
    slopes = own.slopes(said)
    for at, layer in ((0, wanted.first.affine), (2, wanted.second.affine), (-2, wanted.out)):
        assert layer.weight.grad is not None and layer.bias is not None
        assert layer.bias.grad is not None
        weights = layer.weight.grad.permute(0, 2, 1).flatten(1).numpy()
        assert np.abs(slopes[at] - weights).max() < 1e-3 * np.abs(weights).max()
        assert np.abs(slopes[at + 1] - layer.bias.grad.numpy()).max() < 1e-3


def test_paths_count_each_phone_once() -> None:
    """Three outputs, two phones: three paths, worked out by hand."""
    share = np.array([[0.5, 0.3, 0.2], [0.1, 0.6, 0.3], [0.2, 0.2, 0.6]], np.float32)
    cost, shares = paths(np.log(share), (1, 2))
    ways = (0.5 * 0.6 * 0.6, 0.3 * 0.3 * 0.2, 0.3 * 0.1 * 0.6)
    assert cost == pytest.approx(-np.log(sum(ways)), rel=1e-5)
    assert shares[0, 0] == pytest.approx(ways[0] / sum(ways), rel=1e-5)
    assert shares.sum(axis=1) == pytest.approx(np.ones(3), rel=1e-5)
    assert paths(np.log(share), (1, 2, 1, 2))[0] == float("inf")


def test_weights_that_are_written_come_back_and_nothing_else_changes() -> None:
    data = shipped_network()
    affines = affines_of(data)
    first = affines["first"][0] * np.float32(1.5)
    changed = with_affines(data, {"first": (first, affines["first"][1] + 1)})
    found = affines_of(changed)
    assert len(changed) == len(data)
    assert np.abs(found["first"][0] - first).max() < 0.02 * np.abs(first).max()
    assert np.allclose(found["first"][1], affines["first"][1] + 1)
    assert all(
        np.array_equal(found[name][0], affines[name][0]) for name in affines if name != "first"
    )
    with pytest.raises(ValueError, match="shape"):
        with_affines(data, {"first": (first[:1], affines["first"][1])})


def test_steps_make_what_was_said_likelier_and_the_decoder_takes_the_network(
    said: list[Said], sound: Samples
) -> None:
    own = TeamNetwork(shipped_network())
    before = [paths(out, one.phones)[0] for out, one in zip(own.outputs(said), said, strict=True)]
    done: list[float] = []
    own.take(said, Steps(epochs=3), done.append)
    after = [paths(out, one.phones)[0] for out, one in zip(own.outputs(said), said, strict=True)]
    assert sum(after) < sum(before)
    assert done[-1] == 1.0
    protocol = load_protocol("isolation-airway")
    ear = VoskRecogniser.ours(network(protocol), protocol.pronunciations, fitted=own.bytes())
    assert ear.name == "vosk, our English model fitted to the team"
    assert heard_words(ear, sound[:64_000])


def test_one_short_card_is_not_tried(sound: Samples) -> None:
    protocol = load_protocol("isolation-airway")
    card = [("stand by", sound[:16_000])] * 12
    found = fit([card], network(protocol), pronunciations={}, same=lambda _heard, _words: True)
    assert (found.network, found.of) == (None, 0)


def test_another_s_network_is_refused() -> None:
    with pytest.raises(ValueError, match="no network of ours"):
        TeamNetwork(b"\0B<TransitionModel> ")


@pytest.mark.parametrize(
    ("before", "after", "likelier", "used"),
    [
        ([2, 2], [3, 2], False, True),
        ([2, 2], [2, 2], True, True),
        ([2, 2], [2, 2], False, False),
        ([2, 2], [4, 1], True, False),
    ],
    ids=["more", "as many and likelier", "as many", "somebody loses"],
)
def test_a_network_that_understands_less_of_anybody_is_not_used(
    before: list[int], after: list[int], likelier: bool, used: bool
) -> None:
    assert is_better(before, after, likelier=likelier) == used
