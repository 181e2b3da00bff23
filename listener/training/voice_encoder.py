"""Trains the speaker encoder further, so that a voice over a radio gets the print that it has in clean
sound.

    python -m listener.training.voice_encoder FOLDER [--steps N] [--into FILE]

FOLDER holds recordings of known speakers (`listener/bench/known_speakers.py`); only those whose part is
`train` are used. The published encoder hears the clean clip and teaches; the pupil, which begins as its
copy, hears the same clip under a condition of the bench, and learns to give the same print and no other
person's. A third of the clips is sped up or slowed down by up to a tenth, which makes another voice of
it. Needs torch (extra `train`); 1,400 steps take half an hour on one core.
"""

from __future__ import annotations

import argparse
import copy
import sys
import time
from pathlib import Path
from typing import Any, Final

import numpy as np
import soxr

from listener.audio.samples import Samples
from listener.bench.conditions import applied
from listener.bench.known_speakers import known_speakers, parts
from listener.team.speaker_encoder.encoder import LAYERS, SIZE, WINDOW, stored_weights
from listener.team.voice_frames import BANDS, FRAME, Floats, levelled, mel_frames

_HEARD: Final = {"radio": 0.5, "mask": 0.17, "fan10": 0.13, "clean": 0.15, "fan5": 0.05}
"""Conditions of the pupil, and how often each."""
_AT_ONCE: Final = 24
_SHORTEST: Final = 100
"""Frames, 10 ms each, of the shortest clip."""
_RATE: Final = 2e-4
_APART: Final = 0.1
_SHARP: Final = 15.0
_RESAMPLED: Final = 1 / 3


def train(folder: Path, steps: int, into: Path, seed: int = 5) -> None:
    """Train, telling the loss on standard error, and write the weights in half precision."""
    import torch  # noqa: PLC0415  (the extra `train`)

    torch.set_num_threads(1)
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    people = known_speakers(folder)
    part = parts(people)
    clips = [
        sound
        for speaker, recordings in people.items()
        if part[speaker] == "train"
        for recording in recordings
        for sound in recording.pieces()
    ]
    clips = [clip for clip in clips if len(clip) >= (_SHORTEST + 20) * FRAME]
    print(f"{len(clips)} clips", file=sys.stderr, flush=True)
    teacher = _network(torch, stored_weights("weights.npz"))
    pupil = copy.deepcopy(teacher)
    for each in pupil.parameters():
        each.requires_grad_(True)
    adam = torch.optim.Adam(pupil.parameters(), lr=_RATE)
    names, odds = list(_HEARD), list(_HEARD.values())
    began, losses = time.monotonic(), []
    for step in range(steps):
        frames = int(rng.integers(_SHORTEST, WINDOW + 1))
        pairs = [_pair(clips, frames, str(rng.choice(names, p=odds)), rng) for _ in range(_AT_ONCE)]
        with torch.no_grad():
            wanted = _prints(teacher, torch.from_numpy(np.stack([one for one, _ in pairs])))
        found = _prints(pupil, torch.from_numpy(np.stack([one for _, one in pairs])))
        alike = (1 - (found * wanted).sum(1)).mean()
        apart = torch.nn.functional.cross_entropy(
            _SHARP * (found @ wanted.T), torch.arange(_AT_ONCE)
        )
        loss = alike + _APART * apart
        for group in adam.param_groups:
            group["lr"] = _RATE * min(1.0, step / 30) * (1 - step / steps) ** 0.5
        adam.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(pupil.parameters(), 1.0)
        adam.step()
        losses.append(float(loss.detach()))
        if step % 50 == 49:
            text = f"{step + 1}: {np.mean(losses[-50:]):.4f}, {time.monotonic() - began:.0f} s"
            print(text, file=sys.stderr, flush=True)
    kept = {name: value.detach().numpy() for name, value in pupil.state_dict().items()}
    np.savez(into, **{name: value.astype(np.float16) for name, value in kept.items()})


def _pair(
    clips: list[Samples], frames: int, condition: str, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return the spectra of one stretch as the teacher hears it, clean, and as the pupil does."""
    clip = clips[rng.integers(len(clips))].astype(np.float64) / 32768
    if rng.random() < _RESAMPLED:
        clip = soxr.resample(clip, 16_000, round(16_000 * rng.uniform(0.9, 1.1)))
    length = frames * FRAME
    at = int(rng.integers(0, max(1, len(clip) - length)))
    part = np.pad(clip[at : at + length], (0, max(0, length - len(clip[at : at + length]))))
    seed = int(rng.integers(1 << 30))
    louder = np.float32(10 ** (rng.uniform(-3, 3) / 20))
    clean = mel_frames(levelled(applied("clean", part, seed)))[:frames]
    return clean, mel_frames(levelled(applied(condition, part, seed)) * louder)[:frames]


def _network(torch: Any, weights: dict[str, Floats]) -> Any:
    """Return the encoder's network with these weights, which do not change."""
    whole = torch.nn.ModuleDict(
        {
            "lstm": torch.nn.LSTM(BANDS, SIZE, LAYERS, batch_first=True),
            "linear": torch.nn.Linear(SIZE, SIZE),
        }
    )
    whole.load_state_dict({name: torch.from_numpy(value) for name, value in weights.items()})
    for each in whole.parameters():
        each.requires_grad_(False)
    return whole


def _prints(network: Any, frames: Any) -> Any:
    _, (hidden, _) = network["lstm"](frames)
    raw = network["linear"](hidden[-1]).relu()
    return raw / (raw.norm(dim=1, keepdim=True) + 1e-6)


def main() -> None:
    """Train as the command line wants."""
    parser = argparse.ArgumentParser(description="Train the speaker encoder further.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--steps", type=int, default=1400)
    parser.add_argument("--into", type=Path, default=Path("weights-radio.npz"))
    wanted = parser.parse_args()
    train(wanted.folder, wanted.steps, wanted.into)


if __name__ == "__main__":
    main()
