"""The sure ear's weights as they lie on the disk: what is read, and what is left out for the encoder."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest

from grammar.errors import UserError
from listener.recognition import sure_ear
from listener.recognition.whisper_files import read_tensors, write_encoder
from tests.support import needs


@pytest.fixture(scope="module")
def model() -> Path:
    return needs.whisper()


def test_the_encoder_alone_is_written_whole_and_the_decoder_nearly_not(
    model: Path, tmp_path: Path
) -> None:
    alone = tmp_path / "model.bin"
    write_encoder(model / "model.bin", alone)
    before, after = read_tensors(model / "model.bin", ""), read_tensors(alone, "")
    encoder = [name for name in before if name.startswith("encoder/")]
    assert encoder and all(np.array_equal(before[name], after[name]) for name in encoder)
    # Whisper base: 20 of 73 million weights encode. One of six layers stays, and 8 of 51,865 embeddings.
    decoder = sum(found.nbytes for name, found in before.items() if name.startswith("decoder/"))
    left = sum(found.nbytes for name, found in after.items() if name.startswith("decoder/"))
    assert left < 0.1 * decoder
    assert alone.stat().st_size < 0.4 * (model / "model.bin").stat().st_size


def test_the_encoder_alone_encodes_as_the_whole_model_does(
    model: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import ctranslate2

    sound = np.random.default_rng(0).normal(size=(1, 80, 400)).astype(np.float32)
    given = ctranslate2.StorageView.from_array(sound)
    alone = np.array(sure_ear._encoder(model, "ko", 1)[0].encode(given, to_cpu=True))
    # Nowhere to write to: the whole model is loaded.
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "not there"))
    load, loaded = ctranslate2.models.Whisper, []

    def watched(at: str, **rest: object) -> object:
        loaded.append(at)
        return load(at, **rest)

    monkeypatch.setattr(ctranslate2.models, "Whisper", watched)
    whole = np.array(sure_ear._encoder(model, "ko", 1)[0].encode(given, to_cpu=True))
    assert loaded == [str(model)]
    assert np.array_equal(alone, whole)


@pytest.mark.parametrize("cut_at", [0, 3, 30, 2000], ids=lambda n: f"{n} bytes")
def test_a_model_that_is_cut_short_is_refused(model: Path, tmp_path: Path, cut_at: int) -> None:
    short = tmp_path / "short.bin"
    short.write_bytes((model / "model.bin").read_bytes()[:cut_at])
    for read in (lambda: read_tensors(short, ""), lambda: write_encoder(short, tmp_path / "out")):
        with pytest.raises(UserError, match="no model of a layout"):
            read()
