"""Training on from what ships, beside sentences by people and recorded noise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from listener.bench.known_speakers import is_apart
from listener.training.people import Word, pieces, read_sentences, spelled
from tests.support.needs import SHARED, module, program, reason

HUMAN_SPEECH = Path(__file__).parents[4] / "shared" / "human-speech"
needs_espeak = program("espeak-ng")
needs_people = pytest.mark.skipif(not (HUMAN_SPEECH / "sentences").is_dir(), reason=reason(SHARED))


def test_a_network_read_back_from_its_file_hears_as_before_and_so_it_does_normalised_again(
    tmp_path: Path,
) -> None:
    torch = module("torch", "train")
    from listener.training.data import Batch
    from listener.training.export import export
    from listener.training.network import Network, Shape
    from listener.training.shipped import read_final_mdl, renormalised
    from listener.training.train import EVEN, Trained

    torch.manual_seed(1)
    net = Network(Shape(first=16, width=24, narrow=8, blocks=2, dropout=0.0)).train()
    with torch.no_grad():
        for _ in range(5):
            net(torch.randn(4, 60, 40) * 3 - 2)
    net.eval()
    export(Trained(net, EVEN, ()), tmp_path / "final.mdl")
    back = read_final_mdl(tmp_path / "final.mdl")
    assert back.network.shape.width == 24
    assert back.network.shape.blocks == 2
    assert np.allclose(back.prior, EVEN)
    features = torch.randn(8, 90, 40) * 3 - 2
    counts = torch.tensor([90] * 8)
    with torch.no_grad():
        before, read = net(features), back.network(features)
        # A weight has one byte of 256 between its column's extremes.
        assert float((before - read).abs().max()) < 0.05
        again = renormalised(back, [Batch(features, counts, counts, counts)]).network
        assert torch.allclose(again.eval()(features), read, atol=1e-3)
        again.shape = replace(again.shape, dropout=0.0)
        # Statistics of these very clips, so that the norms at work give the same again.
        assert torch.allclose(again.train()(features), read, atol=0.02)


def test_what_is_no_network_of_ours_is_refused(tmp_path: Path) -> None:
    module("torch", "train")
    from listener.training.shipped import read_final_mdl

    (tmp_path / "final.mdl").write_bytes(b"\0B<TransitionModel> ")
    with pytest.raises(ValueError, match="no network of ours"):
        read_final_mdl(tmp_path / "final.mdl")


def test_the_mean_of_two_networks_has_the_mean_of_each_weight_and_hears_like_both(
    tmp_path: Path,
) -> None:
    torch = module("torch", "train")
    from listener.training.export import export
    from listener.training.network import Network, Shape
    from listener.training.shipped import mixed, read_final_mdl
    from listener.training.train import EVEN, Trained

    torch.manual_seed(2)
    net = Network(Shape(first=16, width=24, narrow=8, blocks=2, dropout=0.0)).eval()
    export(Trained(net, EVEN, ()), tmp_path / "one.mdl")
    one, two = read_final_mdl(tmp_path / "one.mdl"), read_final_mdl(tmp_path / "one.mdl")
    with torch.no_grad():
        assert two.network.out.bias is not None
        two.network.out.bias[3] += 2.0
    features = torch.randn(1, 60, 40)
    with torch.no_grad():
        made = mixed([one, two]).network
        # The softmax takes away what all outputs share: compare two of them.
        first, second, mean = (n(features) for n in (one.network, two.network, made))
        apart = [each[..., 3] - each[..., 4] for each in (first, second, mean)]
    assert torch.allclose(apart[1] - apart[0], torch.tensor(2.0), atol=1e-4)
    assert torch.allclose(apart[2] - apart[0], torch.tensor(1.0), atol=1e-4)
    assert np.allclose(mixed([one, two]).prior, EVEN)


def test_an_uneven_voice_keeps_its_length_and_its_order_and_a_still_one_everything() -> None:
    torch = module("torch", "train")
    from listener.training.features import retimed

    rising = torch.arange(200.0)[None, :, None].expand(2, 200, 40)
    steep, waves = torch.tensor([0.0, 0.35]), torch.tensor([0.01, 0.01])
    made = retimed(rising, steep / (2 * torch.pi * waves), waves, torch.tensor([0.3, 0.3]))
    assert torch.allclose(made[0], rising[0], atol=1e-3)
    steps = made[1, 1:, 0] - made[1, :-1, 0]
    assert made.shape == rising.shape
    assert float(steps.min()) > 0  # time never runs back
    # Away from the ends, where the movement is faded in, the speed is within 35 % of the average.
    assert 0.6 < float(steps[40:160].min()) < 0.7
    assert 1.3 < float(steps[40:160].max()) < 1.4


def test_a_bent_throat_moves_one_frequency_up_and_another_down() -> None:
    torch = module("torch", "train")
    from listener.training.features import bent

    factors = bent(torch.linspace(0, 1, 257), torch.tensor([[0.07, 1.0, 0.0], [0.0, 1.0, 0.5]]))
    assert float(factors[0].max()) == pytest.approx(1.07, abs=1e-3)
    assert float(factors[0].min()) == pytest.approx(0.93, abs=1e-3)
    assert torch.equal(factors[1], torch.ones(257))


@needs_espeak
def test_a_word_of_no_dictionary_sounds_as_it_is_read_aloud() -> None:
    from listener.training.people import Read, people_jobs

    lexicon = {"the": (("DH", "AH"),), "cat": (("K", "AE", "T"),)}
    read = Read("one.ogg", "one", "1", 0.0, 2.0, "the cat 12 tamarind")
    ((job, _),) = people_jobs([read], lexicon)
    said = " ".join(job.phones)
    assert said.startswith("DH AH K AE T T W EH L V")
    assert said.endswith("N D")


def test_people_have_their_share_of_the_clips_and_each_source_the_same_part() -> None:
    module("torch", "train")
    from listener.training.data import with_people

    voices = ["kokoro/af_sky", "flite/slt", "people/one-1", "people/two-1", "people/two-2"]
    made = with_people(voices, np.array([2.0, 1.0, 1.0, 1.0, 1.0]), 0.4)
    assert made == pytest.approx([0.4, 0.2, 0.2, 0.1, 0.1])
    assert with_people(voices[:2], np.array([2.0, 1.0]), 0.4) == pytest.approx([2 / 3, 1 / 3])
    assert with_people(voices[2:], np.ones(3), 0.4) == pytest.approx([0.5, 0.25, 0.25])


def test_recorded_noise_joins_where_it_is_given() -> None:
    torch = module("torch", "train")
    from listener.training.distort import Distortion, Ranges

    torch.manual_seed(6)
    bins = np.zeros(8001, complex)  # a noise of 2,900 to 3,100 Hz, one second
    bins[2900:3100] = np.random.default_rng(6).standard_normal((200, 2)) @ (1, 1j)
    band = np.fft.irfft(bins)
    band = band / band.std()
    always = Ranges(
        reverberant=0, babble=0, masked=0, tilted=0, coloured=0, noisy=1, radio=0, recorded=1,
        noise_db=(0.0, 0.0),
    )  # fmt: skip
    at = torch.arange(32000) / 16000
    sound = torch.sin(2 * torch.pi * 500 * at).repeat(20, 1) * 1000
    heard = Distortion(torch.device("cpu"), always, band[None].astype(np.float32))(
        sound, torch.full((20,), 32000)
    )
    power = torch.fft.rfft(heard).abs() ** 2  # two bins to a hertz
    assert torch.allclose(
        power[:, 5700:6301].sum(1) / power[:, 990:1011].sum(1), torch.ones(20), rtol=0.1
    )


def test_long_recordings_are_cut_at_pauses_and_unlikely_words_lose_their_piece() -> None:
    def said(text: str, begin: float, probability: float = 0.9) -> Word:
        return Word(text, begin, begin + 0.9, probability)

    first = [said("one", 0.1), said("two", 1.0), said("Three.", 1.9)]
    second = [said("four", 3.2), said("five", 4.1, 0.1), said("six", 5.0)]
    third = [said("well-kept", 7.0), said("'tis", 7.9)]
    found = list(pieces([*first, *second, *third], 9.5))
    assert [words for _, _, words in found] == ["one two three", "well kept tis"]
    assert found[0][:2] == pytest.approx((0.0, 3.0))
    assert found[1][:2] == pytest.approx((6.45, 9.5))
    assert spelled("“Don't,") == "don't"


@needs_people
def test_speakers_are_set_apart_by_name_and_about_one_in_seven() -> None:
    read = read_sentences(HUMAN_SPEECH)
    speakers = {one.voice for one in read}
    assert len(speakers) == 128  # speechocean762's in our copy; LibriSpeech's come without words
    apart = {voice for voice in speakers if is_apart(voice)}
    assert 0.1 < len(apart) / len(speakers) < 0.2
    assert all(one.words for one in read)
