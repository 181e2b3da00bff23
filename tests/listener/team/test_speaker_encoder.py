"""The speaker encoder run by numpy against torch's own LSTM on the same weights, and voices told apart."""

from __future__ import annotations

from importlib.resources import as_file, files

import numpy as np
import pytest

from listener.team.speaker_encoder import SpeakerEncoder
from listener.team.voice_frames import mel_frames, voiced


def test_it_gives_what_torch_gives_on_the_same_weights() -> None:
    torch = pytest.importorskip("torch")
    sound = (np.random.default_rng(3).standard_normal(24_000) * 3000).astype(np.int16)
    frames = mel_frames(voiced(sound))[:160]
    with as_file(files("listener.team.speaker_encoder") / "weights.npz") as path:
        stored = {
            name: torch.tensor(value.astype(np.float32)) for name, value in np.load(path).items()
        }
    lstm = torch.nn.LSTM(40, 256, 3, batch_first=True)
    lstm.load_state_dict({k[5:]: v for k, v in stored.items() if k.startswith("lstm.")})
    with torch.no_grad():
        _, (hidden, _) = lstm(torch.from_numpy(frames[np.newaxis]))
        raw = torch.relu(hidden[-1] @ stored["linear.weight"].T + stored["linear.bias"])
        wanted = (raw / raw.norm()).numpy()[0]
    found = SpeakerEncoder().print_of(sound)
    assert found is not None
    assert float(found @ wanted) == pytest.approx(1.0, abs=1e-4)


def test_too_little_voice_gives_no_print() -> None:
    assert SpeakerEncoder().print_of(np.zeros(1600, np.int16)) is None
