"""What Whisper learned of our sentences reaches every weight that the sure ear uses, and no other."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest

from grammar.errors import UserError
from listener.recognition import sure_ear
from listener.recognition.weight_additions import Additions, read_additions
from listener.recognition.whisper_decoder import WhisperDecoder
from listener.recognition.whisper_files import read_tensors, write_encoder
from tests.support import needs


@pytest.fixture(scope="module")
def model() -> Path:
    return needs.whisper()


def learned() -> Additions:
    found = read_additions("base", "en")
    assert found is not None
    return found


def test_only_english_and_only_the_size_that_learned_has_additions() -> None:
    assert learned().pairs
    assert read_additions("base", "ko") is None
    assert read_additions("small", "en") is None


def test_a_weight_gets_the_product_of_its_pair_and_others_stay() -> None:
    additions = Additions({"a": (np.array([[1.0], [2.0]]), np.array([[3.0, 4.0, 5.0]]))})
    ones = np.ones((2, 3), np.float16)
    assert additions.to("a", ones).tolist() == [[4, 5, 6], [7, 9, 11]]
    assert additions.to("b", ones) is ones
    with pytest.raises(ValueError, match="cannot be added"):
        additions.to("a", np.ones((3, 2)))


def test_every_matrix_of_every_layer_has_an_addition_of_its_shape(model: Path) -> None:
    weights = read_tensors(model / "model.bin", "")
    matrices = {name for name, found in weights.items() if "/layer_" in name and found.ndim == 2}
    assert matrices == set(learned().pairs)
    changed = [np.abs(learned().to(name, weights[name]) - weights[name]).max() for name in matrices]
    assert min(changed) > 0


def test_the_encoder_is_written_with_the_additions_and_without_any_other_change(
    model: Path, tmp_path: Path
) -> None:
    additions = learned()
    write_encoder(model / "model.bin", tmp_path / "model.bin", additions)
    before = read_tensors(model / "model.bin", "encoder/")
    after = read_tensors(tmp_path / "model.bin", "encoder/")
    assert before.keys() == after.keys()
    for name, found in before.items():
        wanted = additions.to(f"encoder/{name}", found).astype(found.dtype)
        assert np.array_equal(after[name], wanted), name


def test_encoder_and_decoder_are_those_of_the_network_that_learned(
    model: Path, tmp_path: Path
) -> None:
    """Against the same network in PyTorch, whose attention, norms and activations are that library's."""
    torch = needs.module("torch", "train")
    import ctranslate2

    from listener.training.whisper_network import WhisperNetwork

    network = WhisperNetwork.of(model / "model.bin")
    network.add(learned())
    mel = np.random.default_rng(3).normal(0.2, 0.4, (1, 80, 300)).astype(np.float32)
    tokens = [50258, 50259, 50359, 50363]
    with torch.no_grad():
        encoded = network.encoded(torch.from_numpy(mel))
        scores = network.scores(torch.tensor([tokens]), encoded)[0, -1]
        wanted = torch.log_softmax(scores, -1).numpy()

    write_encoder(model / "model.bin", tmp_path / "model.bin", learned())
    for name in ("config.json", "vocabulary.json"):
        (tmp_path / name).write_bytes((model / name).read_bytes())
    whole = ctranslate2.models.Whisper(str(tmp_path), device="cpu", compute_type="float32")
    found = np.array(whole.encode(ctranslate2.StorageView.from_array(mel), to_cpu=True))
    # Half-precision weights on one side, the sums of single precision on the other.
    assert np.abs(found - encoded.numpy()).max() < 0.05

    decoder = WhisperDecoder(model / "model.bin", 8, learned())
    sound = decoder.attended(encoded.numpy()[0])
    assert np.abs(decoder.likely(decoder.begin(tokens, sound).last, None)[0] - wanted).max() < 1e-3
    plain = WhisperDecoder(model / "model.bin", 8)
    sound = plain.attended(encoded.numpy()[0])
    assert np.abs(plain.likely(plain.begin(tokens, sound).last, None)[0] - wanted).max() > 0.1


def test_without_room_for_a_file_neither_half_of_the_network_gets_additions(
    model: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert sure_ear._encoder(model, "en", 1)[1] is not None
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "not there"))
    assert sure_ear._encoder(model, "en", 1)[1] is None


def test_additions_of_another_network_are_refused(model: Path, tmp_path: Path) -> None:
    name = next(iter(name for name in learned().pairs if name.startswith("encoder/")))
    other = Additions({name: (np.ones((7, 1)), np.ones((1, 7)))})
    with pytest.raises(UserError):
        write_encoder(model / "model.bin", tmp_path / "model.bin", other)
