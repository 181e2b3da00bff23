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
    """Whole frames in so many samples (Kaldi's snip-edges)."""
    return 0 if samples < FRAME else 1 + (samples - FRAME) // SHIFT


class Fbank:
    """Turns sound into features; `warp` stretches the frequency axis, another length of throat."""

    def __init__(self, device: torch.device) -> None:
        hann = torch.hann_window(FRAME, periodic=False, dtype=torch.float64)
        self.window = (hann**0.85).float().to(device)
        self.banks = _banks().to(device)

    def __call__(self, sound: Tensor, warp: Tensor | None = None) -> Tensor:
        """`sound` (batch, samples) on the scale of 16-bit integers to (batch, frames, 40)."""
        frames = sound.unfold(1, FRAME, SHIFT)
        frames = frames - frames.mean(-1, keepdim=True)
        frames = frames - 0.97 * torch.cat([frames[..., :1], frames[..., :-1]], -1)
        power = torch.fft.rfft(frames * self.window, SIZE).abs() ** 2
        if warp is not None:
            power = _stretched(power, warp)
        return torch.log(torch.clamp(power @ self.banks.T, min=torch.finfo(torch.float32).eps))


def _stretched(power: Tensor, warp: Tensor) -> Tensor:
    last = power.shape[-1] - 1
    at = (torch.arange(last + 1, device=power.device)[None] * warp[:, None]).clamp(max=last)
    low = at.long().clamp(max=last - 1)
    share = (at - low)[:, None]
    low = low[:, None].expand(-1, power.shape[1], -1)
    return torch.gather(power, 2, low) * (1 - share) + torch.gather(power, 2, low + 1) * share


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
