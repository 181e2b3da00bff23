"""The speaker encoder run by numpy against torch's own LSTM on the same weights, and voices told apart."""

from __future__ import annotations

import time

import numpy as np
import pytest

from listener.team.speaker_encoder import SpeakerEncoder
from listener.team.speaker_encoder.encoder import COARSE, SIZE, WEIGHTS, stored_weights
from listener.team.voice_frames import mel_frames, voiced


@pytest.mark.parametrize(("at", "name"), list(enumerate(WEIGHTS)))
def test_it_gives_what_torch_gives_on_the_same_weights(at: int, name: str) -> None:
    torch = pytest.importorskip("torch")
    sound = (np.random.default_rng(3).standard_normal(24_000) * 3000).astype(np.int16)
    frames = mel_frames(voiced(sound))
    frames = frames[: len(frames) // COARSE * COARSE]
    stored = {each: torch.tensor(value) for each, value in stored_weights(name).items()}
    lstm = torch.nn.LSTM(40, SIZE, 3, batch_first=True)
    lstm.load_state_dict({k[5:]: v for k, v in stored.items() if k.startswith("lstm.")})
    with torch.no_grad():
        _, (hidden, _) = lstm(torch.from_numpy(frames[np.newaxis]))
        raw = torch.relu(hidden[-1] @ stored["linear.weight"].T + stored["linear.bias"])
        wanted = (raw / raw.norm()).numpy()[0]
    found = SpeakerEncoder().print_of(sound)
    assert found is not None
    own = found[at * SIZE : (at + 1) * SIZE] * np.sqrt(len(WEIGHTS))
    assert float(own @ wanted) == pytest.approx(1.0, abs=1e-4)


def test_many_sounds_at_once_have_the_prints_that_each_has_alone() -> None:
    chance = np.random.default_rng(4)
    sounds = [(chance.standard_normal(n) * 3000).astype(np.int16) for n in (9_000, 40_000, 500)]
    encoder = SpeakerEncoder()
    for sound, found in zip(sounds, encoder.prints_of(sounds), strict=True):
        alone = encoder.print_of(sound)
        if found is None or alone is None:
            assert found is alone
        else:
            assert float(found @ alone) == pytest.approx(1.0, abs=1e-5)


def test_too_little_voice_gives_no_print() -> None:
    assert SpeakerEncoder().print_of(np.zeros(1600, np.int16)) is None


def test_a_print_wakes_no_other_thread_of_the_processor() -> None:
    """numpy's threads, once woken, wait at full speed, and take the processor from those who hear."""
    encoder = SpeakerEncoder()
    sound = (np.random.default_rng(5).standard_normal(64_000) * 3000).astype(np.int16)
    encoder.print_of(sound)
    time.sleep(0.5)  # for threads that a test before has woken
    whole, own = time.process_time(), time.thread_time()
    encoder.print_of(sound)
    whole, own = time.process_time() - whole, time.thread_time() - own
    assert whole < 1.3 * own
