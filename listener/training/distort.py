"""Distorts speech at random as a room, a mask, a fan and a radio do, on batches, on the GPU.

Wider than the scoring conditions of `conditions.py` on every side, so that those lie inside what
the model has met. Order follows the sound: room with others in it, mask, fan, then the radio with
its own noise, then the recording level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import torch

Tensor = torch.Tensor
RATE = 16000


@dataclass(frozen=True, slots=True)
class Ranges:
    """How often and how far sound is distorted: shares are of clips, pairs are uniform ranges."""

    reverberant: float = 0.5
    decay_s: tuple[float, float] = (0.08, 0.5)  # to -60 dB
    babble: float = 0.25
    babble_level: tuple[float, float] = (0.02, 0.15)  # of another clip
    masked: float = 0.35
    mask_hz: tuple[float, float] = (1200.0, 4000.0)
    tilted: float = 0.3
    coloured: float = 0.5  # a room and a microphone that raise some frequencies, lower others
    colouring_db: tuple[float, float] = (1.0, 5.0)  # of each of three waves over the octaves
    noisy: float = 0.8
    noise_db: tuple[float, float] = (-3.0, 25.0)  # speech over noise
    colour: tuple[float, float] = (0.0, 0.6)  # power falls as 1 / f ** (2 colour); pink is 0.5
    fluttering: float = 0.3  # noise whose level rises and falls
    humming: float = 0.2  # noise with tones in it
    recorded: float = 0.4  # noise of the world, where there is any, in place of the made one
    radio: float = 0.4
    radio_low_hz: tuple[float, float] = (150.0, 500.0)
    radio_high_hz: tuple[float, float] = (2400.0, 4000.0)
    drive: tuple[float, float] = (0.3, 3.8)  # of tanh, on speech of rms 1
    radio_noise_db: tuple[float, float] = (12.0, 35.0)
    level: tuple[float, float] = (2.0, 3.7)  # log10 of the rms on the 16-bit scale


class Distortion:
    """Distorts batches; all randomness is PyTorch's global generator."""

    def __init__(
        self,
        device: torch.device,
        ranges: Ranges | None = None,
        noises: npt.NDArray[np.float32] | None = None,
    ) -> None:
        """`noises` (sounds, samples) are recordings of variance 1."""
        self.device = device
        self.ranges = ranges or Ranges()
        self.noises = None if noises is None else torch.from_numpy(noises).to(device)

    def __call__(self, sound: Tensor, spoken: Tensor) -> Tensor:
        """`sound` (batch, samples), `spoken` (batch,) samples of speech in each; same shape."""
        ranges = self.ranges
        sound = self._reverberate(sound)
        others = sound[torch.randperm(len(sound), device=self.device)]
        share = self._uniform(sound, ranges.babble_level) * self._happens(sound, ranges.babble)
        sound = _of_rms_1(sound + others * share, spoken)
        sound = _of_rms_1(self._filter(sound, self._gain(sound)), spoken)
        speech_db = self._uniform(sound, ranges.noise_db)
        loud = self._happens(sound, ranges.noisy) * 10 ** (-speech_db / 20)
        sound = sound + self._noise(sound) * loud
        sound = self._through_radio(sound, spoken)
        sound = sound * 10 ** self._uniform(sound, ranges.level)
        return sound.clamp(-32768, 32767) + torch.randn_like(sound)

    def _uniform(self, like: Tensor, limits: tuple[float, float]) -> Tensor:
        low, high = limits
        draw = torch.rand(len(like), 1, device=self.device)
        return low + (high - low) * draw

    def _happens(self, like: Tensor, share: float) -> Tensor:
        return (torch.rand(len(like), 1, device=self.device) < share).float()

    def _reverberate(self, sound: Tensor) -> Tensor:
        length = RATE // 2
        at = torch.arange(length, device=self.device) / RATE
        decay = torch.exp(-6.9 * at / self._uniform(sound, self.ranges.decay_s))
        tail = torch.randn(len(sound), length, device=self.device) * decay
        tail = (
            tail
            * self._uniform(sound, (0.02, 0.15))
            * self._happens(sound, self.ranges.reverberant)
        )
        tail[:, 0] = 1.0
        whole = sound.shape[1] + length
        both = torch.fft.rfft(sound, whole) * torch.fft.rfft(tail, whole)
        heard: Tensor = torch.fft.irfft(both, whole)[:, : sound.shape[1]]
        return heard

    def _filter(self, sound: Tensor, gain: Tensor) -> Tensor:
        filtered: Tensor = torch.fft.irfft(torch.fft.rfft(sound) * gain, sound.shape[1])
        return filtered

    def _frequencies(self, sound: Tensor) -> Tensor:
        return torch.linspace(0, RATE / 2, sound.shape[1] // 2 + 1, device=self.device)[None]

    def _gain(self, sound: Tensor) -> Tensor:
        hertz, ranges = self._frequencies(sound), self.ranges
        order = 1 + torch.floor(self._uniform(sound, (0.0, 3.0)))
        mask = (1 + (hertz / self._uniform(sound, ranges.mask_hz)) ** (2 * order)) ** -0.5
        mask = torch.where(self._happens(sound, ranges.masked) > 0, mask, torch.ones_like(mask))
        slope = self._uniform(sound, (-0.5, 0.5)) * self._happens(sound, ranges.tilted)
        octaves = torch.log2(hertz.clamp(min=60) / 60)
        colour_db = torch.zeros_like(hertz)
        for _ in range(3):
            wave = octaves * self._uniform(sound, (0.5, 4.0)) + self._uniform(sound, (0.0, 6.3))
            colour_db = colour_db + self._uniform(sound, ranges.colouring_db) * torch.sin(wave)
        colour_db = colour_db * self._happens(sound, ranges.coloured)
        return mask * (hertz.clamp(min=100) / 1000) ** slope * 10 ** (colour_db / 20)

    def _noise(self, sound: Tensor) -> Tensor:
        hertz, ranges = self._frequencies(sound), self.ranges
        white = torch.fft.rfft(torch.randn_like(sound))
        coloured = white / hertz.clamp(min=30) ** self._uniform(sound, ranges.colour)
        noise = torch.fft.irfft(coloured, sound.shape[1])
        at = torch.arange(sound.shape[1], device=self.device)[None] / RATE
        pitch, phase = self._uniform(sound, (60.0, 900.0)), self._uniform(sound, (0.0, 6.3))
        tone = torch.sin(6.2832 * pitch * at) + 0.5 * torch.sin(12.566 * pitch * at + phase)
        tone = tone * noise.std(1, keepdim=True) * self._uniform(sound, (0.2, 1.5))
        noise = noise + tone * self._happens(sound, ranges.humming)
        flutter = torch.sin(6.2832 * self._uniform(sound, (0.3, 6.0)) * at + phase)
        depth = self._uniform(sound, (0.1, 0.7)) * self._happens(sound, ranges.fluttering)
        noise = noise * (1 + depth * flutter)
        if self.noises is not None:
            recorded = self._happens(sound, ranges.recorded) > 0
            noise = torch.where(recorded, self._recorded(sound, self.noises), noise)
        scaled: Tensor = noise / noise.std(1, keepdim=True).clamp(min=1e-4)
        return scaled

    def _recorded(self, sound: Tensor, noises: Tensor) -> Tensor:
        """For each clip one of `noises` from a random place on, over and over; half of them in pairs."""
        length, total = noises.shape[1], sound.shape[1]
        over = noises.repeat(1, total // length + 2)
        heard = torch.zeros_like(sound)
        for often in (1.0, 0.5):
            chosen = torch.randint(0, len(noises), (len(sound),)).tolist()
            begin = torch.randint(0, length, (len(sound),)).tolist()
            cut = [over[one, at : at + total] for one, at in zip(chosen, begin, strict=True)]
            heard = heard + torch.stack(cut) * self._happens(sound, often)
        return heard

    def _through_radio(self, sound: Tensor, spoken: Tensor) -> Tensor:
        hertz, ranges = self._frequencies(sound).clamp(min=1), self.ranges
        steep = 2 * torch.floor(self._uniform(sound, (2.0, 6.0)))
        low, high = (
            self._uniform(sound, ranges.radio_low_hz),
            self._uniform(sound, ranges.radio_high_hz),
        )
        band = (1 + (low / hertz) ** steep) ** -0.5 * (1 + (hertz / high) ** steep) ** -0.5
        heard = _of_rms_1(self._filter(sound, band), spoken)
        drive = self._uniform(sound, ranges.drive)
        heard = _of_rms_1(torch.tanh(drive * heard), spoken)
        quiet = 10 ** (-self._uniform(sound, ranges.radio_noise_db) / 20)
        heard = heard + quiet * torch.randn_like(heard)
        return torch.where(self._happens(sound, ranges.radio) > 0, heard, sound)


def _of_rms_1(sound: Tensor, spoken: Tensor) -> Tensor:
    power = (sound**2).sum(1, keepdim=True) / spoken[:, None].clamp(min=1).float()
    return sound / power.clamp(min=1e-6).sqrt()


def hidden_parts(features: Tensor, bands: int = 7, frames: int = 12) -> Tensor:
    """Return two stretches of bins and two of time of each clip replaced by its mean (Park et al., 2019).

    A stretch is shorter than `bands` bins or `frames` frames.
    """
    hidden = _stretches(features, 2, bands)[:, None] | _stretches(features, 1, frames)[..., None]
    return torch.where(hidden, features.mean((1, 2), keepdim=True), features)


def _stretches(features: Tensor, along: int, longest: int) -> Tensor:
    """Return two random stretches along a dimension: (batch, its length), true inside."""
    drawn, device = (len(features), 1, 2), features.device
    first = torch.randint(0, features.shape[along], drawn, device=device)
    width = torch.randint(0, longest, drawn, device=device)
    place = torch.arange(features.shape[along], device=device)[None, :, None]
    return ((place >= first) & (place < first + width)).any(-1)


def repeated_edges(features: Tensor, left: int, right: int) -> Tensor:
    """Return (batch, frames, bins) with the first and last frames repeated, as Kaldi gives a network."""
    first, last = features[:, :1], features[:, -1:]
    return torch.cat([first.expand(-1, left, -1), features, last.expand(-1, right, -1)], 1)
