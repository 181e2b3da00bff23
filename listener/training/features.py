"""Log-mel features in PyTorch, the same as vosk computes (Kaldi's fbank, 40 bins, 16 kHz).

Constants are Kaldi's defaults: 25 ms frames every 10 ms, "povey" window, pre-emphasis 0.97, mel
scale 1127 ln(1 + f/700), log of at least the float epsilon. A test compares with the package
kaldi-native-fbank.
"""

from __future__ import annotations

import math

import torch

Tensor = torch.Tensor
RATE, FRAME, SHIFT, SIZE, BINS = 16000, 400, 160, 512, 40
LOW_HZ, HIGH_HZ = 20.0, 7600.0


def frames_in(samples: int) -> int:
    """Return how many whole frames so many samples hold (Kaldi's snip-edges)."""
    return 0 if samples < FRAME else 1 + (samples - FRAME) // SHIFT


class Fbank:
    """Turns sound into features; `warp` stretches the frequency axis, another length of throat."""

    def __init__(self, device: torch.device) -> None:
        hann = torch.hann_window(FRAME, periodic=False, dtype=torch.float64)
        self.window = (hann**0.85).float().to(device)
        self.banks = _banks().to(device)

    def __call__(
        self, sound: Tensor, warp: Tensor | None = None, bend: Tensor | None = None
    ) -> Tensor:
        """`sound` (batch, samples) on the scale of 16-bit integers to (batch, frames, 40).

        `warp` and `bend` (batch, 3; see `bent`) change the throat, in training only.
        """
        frames = sound.unfold(1, FRAME, SHIFT)
        frames = frames - frames.mean(-1, keepdim=True)
        frames = frames - 0.97 * torch.cat([frames[..., :1], frames[..., :-1]], -1)
        power = torch.fft.rfft(frames * self.window, SIZE).abs() ** 2
        if warp is not None:
            power = _stretched(power, warp, bend)
        return torch.log(torch.clamp(power @ self.banks.T, min=torch.finfo(torch.float32).eps))


def bent(share: Tensor, bend: Tensor) -> Tensor:
    """Return factors (batch, bins) by which frequencies are moved; `share` (bins,) of the highest one.

    `bend` (batch, 3): how far, how many waves over the square root of `share`, where they begin.
    One formant goes up where the next goes down: a throat of another shape, not only of another length.
    """
    far, waves, begin = (bend[:, at, None] for at in range(3))
    return 1 + far * torch.sin(2 * math.pi * (waves * share.sqrt()[None] + begin))


def _stretched(power: Tensor, warp: Tensor, bend: Tensor | None) -> Tensor:
    last = power.shape[-1] - 1
    bins = torch.arange(last + 1, device=power.device)
    at = bins[None] * warp[:, None]
    if bend is not None:
        at = at * bent(bins / last, bend)
    at = at.clamp(max=last)
    low = at.long().clamp(max=last - 1)
    share = (at - low)[:, None]
    low = low[:, None].expand(-1, power.shape[1], -1)
    return torch.gather(power, 2, low) * (1 - share) + torch.gather(power, 2, low + 1) * share


def retimed(features: Tensor, far: Tensor, waves: Tensor, begin: Tensor) -> Tensor:
    """Return features (batch, frames, 40) with some stretches spoken faster, others slower; as many frames.

    Each moves by `far` (batch,) frames to and fro in `waves` waves a frame, from the phase `begin` on
    (turns). Where 2 pi `far` `waves` is under 1, time never runs back.
    """
    frames = features.shape[1]
    at = torch.arange(frames, device=features.device, dtype=torch.float32)[None]
    edge = torch.minimum(at, frames - 1 - at).clamp(max=30) / 30
    at = at + edge * far[:, None] * torch.sin(2 * math.pi * (waves[:, None] * at + begin[:, None]))
    low = at.long().clamp(0, frames - 2)
    share = (at - low).clamp(0, 1)[..., None].to(features.dtype)
    low = low[..., None].expand_as(features)
    return torch.gather(features, 1, low) * (1 - share) + torch.gather(features, 1, low + 1) * share


def _mel(hertz: float) -> float:
    return 1127 * math.log(1 + hertz / 700)


def _banks() -> Tensor:
    low = _mel(LOW_HZ)
    step = (_mel(HIGH_HZ) - low) / (BINS + 1)
    mels = torch.tensor([_mel(at * RATE / SIZE) for at in range(SIZE // 2 + 1)])
    left = low + step * torch.arange(BINS)[:, None]
    rising, falling = (mels - left) / step, (left + 2 * step - mels) / step
    banks = torch.minimum(rising, falling).clamp(min=0)
    banks[:, -1] = 0  # Kaldi leaves the Nyquist bin out
    return banks
