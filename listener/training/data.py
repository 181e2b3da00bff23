"""The training clips in memory, and batches of them, placed in time at random."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import torch

from listener.recognition.phones import UNITS
from listener.training.clips import Job
from listener.training.distort import Distortion
from listener.training.features import Fbank, frames_in, retimed

Tensor = torch.Tensor
RATE = 16000
_NUMBER = {unit: at for at, unit in enumerate(UNITS, start=1)}
_ROUND_UP = 4000  # lengths of batches are rounded up, so that the GPU reuses its plans

SHARES = {
    "kokoro": 2.0,
    "piper": 2.0,
    "flite": 1.0,
    "festival": 1.0,
    "pico": 1.0,
    "espeak": 0.6,
    "people": 1.0,
}
"""How often a clip is drawn, by kind of voice: natural voices most."""
_TWINS = re.compile(r"\b(thir|four?|fif|six|seven|eigh|nine)(teen|ty)\b")
PEOPLE_SHARE = 0.4
"""Of a batch's clips those by people, where there are any."""
BEND = 0.07
"""Share by which a frequency is moved at most where voices are bent to other throats."""
UNEVEN = 0.35
"""Share by which an uneven voice is faster or slower than on average, at most."""
TWINS_SHARE = 3.0
"""So many times as often where a number has a twin: fifteen and fifty do harm when confused."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Features (batch, frames, 40), whole frames in each, labels end to end, labels in each.

    Where `twice`, the second half of the batch is the first half's clips, distorted otherwise. `people`
    (batch,) tells which clips a person says something in; None where nobody knows.
    """

    features: Tensor
    frames: Tensor
    labels: Tensor
    label_counts: Tensor
    twice: bool = False
    people: Tensor | None = None


class Store:
    """All clips end to end, as 16-bit samples, on the training device."""

    def __init__(self, jobs: Sequence[Job], folders: Sequence[Path], device: torch.device) -> None:
        places = {path.name: path for folder in folders for path in folder.glob("*.ogg")}
        self.jobs = [job for job in jobs if job.file in places]
        with ThreadPoolExecutor() as pool:
            sounds = list(pool.map(_read, [places[job.file] for job in self.jobs]))
        self.lengths = np.array([len(sound) for sound in sounds])
        starts = np.concatenate([[0], np.cumsum(self.lengths)])[:-1]
        self.device = device
        self.samples = torch.from_numpy(np.concatenate(sounds)).to(device)
        self.starts = torch.from_numpy(starts).to(device)
        self.sizes = torch.from_numpy(self.lengths).to(device)
        self.labels = [[_NUMBER[phone] for phone in job.phones] for job in self.jobs]

    @property
    def hours(self) -> float:
        """Return the length of all clips, in hours."""
        return float(self.lengths.sum()) / RATE / 3600

    def placed(self, ids: Tensor, begin: Tensor, speed: Tensor, total: int) -> Tensor:
        """Return clips `ids` (batch,) as sound (batch, `total`) that begins at sample `begin`, resampled to
        `speed`, on the scale of 16-bit integers.

        A faster clip is higher too: another speaker, in effect.
        """
        at = (torch.arange(total, device=self.device)[None] - begin[:, None]).float()
        at = at * speed[:, None]
        size = self.sizes[ids][:, None]
        inside = (at >= 0) & (at < size - 1)
        low = at.clamp(min=0).minimum(size - 2.0).long()
        share = (at - low).clamp(0, 1)
        place = self.starts[ids][:, None] + low
        mixed = self.samples[place] * (1 - share) + self.samples[place + 1] * share
        return mixed * inside


def _read(path: Path) -> npt.NDArray[np.int16]:
    sound, _ = soundfile.read(path, dtype="int16")
    return np.asarray(sound, np.int16)


class Batches:
    """Endless random batches for training, and plain ones for looking at progress.

    Where `twice`, a training batch has 2 * `size` rows: each clip in two distortions. `people` is the
    share of clips by people, where there are any, each source of theirs as often. `noises` (sounds,
    samples) are recorded ones, of variance 1, that join the made ones. With `others`, voices are
    bent to other throats and uneven in time.
    """

    def __init__(
        self,
        store: Store,
        size: int,
        seed: int,
        *,
        twice: bool = False,
        people: float = PEOPLE_SHARE,
        noises: npt.NDArray[np.float32] | None = None,
        others: bool = False,
    ) -> None:
        self.store, self.size, self.twice, self.others = store, size, twice, others
        self.rng = np.random.default_rng(seed)
        self.by_people = np.array([job.voice.startswith("people/") for job in store.jobs])
        self.weights = shares(store.jobs, people)
        self.fbank = Fbank(store.device)
        self.distortion = Distortion(store.device, noises=noises)

    def training(self) -> Iterator[Batch]:
        """Return a distorted batch: clips of like length together, some two in a row, some empty."""
        pool = 8
        while True:
            first = self.rng.choice(len(self.weights), self.size * pool, p=self.weights)
            second = self.rng.choice(len(self.weights), self.size * pool, p=self.weights)
            lengths = self.store.lengths
            short = lengths[first] + lengths[second] < 5 * RATE
            second = np.where(short & (self.rng.random(len(first)) < 0.25), second, -1)
            order = np.argsort(lengths[first] + np.where(second >= 0, lengths[second], 0))
            for part in self.rng.permutation(pool):
                chosen = order[part * self.size : (part + 1) * self.size]
                yield self._distorted(first[chosen], second[chosen])

    def _distorted(self, first: npt.NDArray[np.int64], second: npt.NDArray[np.int64]) -> Batch:
        store, device = self.store, self.store.device
        one, two = (torch.from_numpy(ids).to(device) for ids in (first, second))
        count = len(first)

        def uniform(low: float, high: float) -> Tensor:
            return torch.empty(count, device=device).uniform_(low, high)

        speed, speed_two = uniform(0.82, 1.2), uniform(0.82, 1.2)
        length = store.sizes[one] / speed
        length_two = torch.where(two >= 0, store.sizes[two.clamp(min=0)] / speed_two, 0.0)
        gap = torch.where(two >= 0, uniform(0.1, 0.9) * RATE, 0.0)
        before, after = uniform(0.03, 0.6) * RATE, uniform(0.03, 0.6) * RATE
        spoken = length + length_two
        whole = (before + spoken + gap + after).long()
        total = -(-int(whole.max()) // _ROUND_UP) * _ROUND_UP
        sound = store.placed(one, before, speed, total)
        pair = torch.from_numpy(np.flatnonzero(second >= 0)).to(device)
        begin = (before + length + gap)[pair]
        sound.index_add_(0, pair, store.placed(two[pair], begin, speed_two[pair], total))
        # Some clips are nothing but noise, and must be heard as nothing.
        empty = torch.rand(count, device=device) < 0.03
        sound = sound * ~empty[:, None]
        rows = 2 if self.twice else 1
        sound = self._interrupted(sound.repeat(rows, 1), before.repeat(rows), length.repeat(rows))
        sound = self.distortion(sound, spoken.repeat(rows))
        warp = torch.empty(rows * count, device=device).uniform_(0.86, 1.16)
        features = self._as_others(self.fbank(sound, warp, self._bend(rows * count)))
        labels = [
            [] if hush else store.labels[a] + (store.labels[b] if b >= 0 else [])
            for a, b, hush in zip(first, second, empty.tolist(), strict=True)
        ]
        made = _batch(features, whole.repeat(rows), labels * rows)
        person = torch.from_numpy(self.by_people[first] | (self.by_people[second] & (second >= 0)))
        return replace(made, twice=self.twice, people=person.repeat(rows))

    def _bend(self, count: int) -> Tensor | None:
        """Draw how differently shaped throats shift frequencies; see `features.bent`."""
        if not self.others:
            return None
        draw = torch.rand(count, 3, device=self.store.device)
        return draw * draw.new_tensor([BEND, 2.0, 1.0]) + draw.new_tensor([0.0, 0.5, 0.0])

    def _as_others(self, features: Tensor) -> Tensor:
        """Return the sound with half of the clips now faster, now slower, as people speak and machines do
        not.
        """
        if not self.others:
            return features
        draw = torch.rand(4, len(features), device=features.device)
        waves = 0.004 + 0.021 * draw[0]  # 0.4 to 2.5 a second
        steep = UNEVEN * draw[1] * (draw[2] < 0.5)
        return retimed(features, steep / (2 * np.pi * waves), waves, draw[3])

    def _interrupted(self, sound: Tensor, before: Tensor, length: Tensor) -> Tensor:
        """Return the sound with the starts of some clips cut off, and a drop-out of up to
        110 ms in others.
        """
        at = torch.arange(sound.shape[1], device=sound.device)[None]
        draw = torch.rand(len(sound), 3, device=sound.device)
        begin = before + draw[:, 0] * length * (draw[:, 1] > 0.5)
        width = torch.where(draw[:, 2] < 0.15, 300 + draw[:, 0] * 1500, 0.0)
        lost = (at >= begin[:, None]) & (at < (begin + width)[:, None])
        return sound * ~lost

    def plain(self, ids: Sequence[int]) -> Batch:
        """Return these clips as they are, with a quarter second before and after and a faint hiss."""
        store, device = self.store, self.store.device
        chosen = torch.tensor(list(ids), device=device)
        begin = torch.full((len(ids),), RATE / 4, device=device)
        whole = store.sizes[chosen] + RATE // 2
        sound = store.placed(chosen, begin, torch.ones_like(begin), int(whole.max()))
        sound = sound / (sound**2).mean(1, keepdim=True).sqrt() * 1000
        features = self.fbank(sound + torch.randn_like(sound))
        return _batch(features, whole, [store.labels[one] for one in ids])


def shares(jobs: Sequence[Job], people: float) -> npt.NDArray[np.float64]:
    """Return how often each clip is drawn, summing to 1: by its kind of voice, more often where a number in
    it has a twin, and those by people with the share `people` of all.
    """
    weights = np.array(
        [
            SHARES[job.voice.partition("/")[0]] * (TWINS_SHARE if _TWINS.search(job.text) else 1.0)
            for job in jobs
        ]
    )
    return with_people([job.voice for job in jobs], weights, people)


def with_people(
    voices: Sequence[str], weights: npt.NDArray[np.float64], share: float
) -> npt.NDArray[np.float64]:
    """Return `weights` scaled to sum to 1, of which clips by people have `share`.

    Each source of people has the same part of that. A person's "voice" is "people/SOURCE-NAME". Where
    all clips are by people, or none, `share` counts for nothing.
    """
    sources = np.array(
        [voice.rpartition("-")[0] if voice.startswith("people/") else "" for voice in voices]
    )
    named = sorted(set(sources) - {""})
    synthetic = "" in sources
    made = np.zeros(len(weights))
    for source in sorted(set(sources)):
        mine = sources == source
        part = 1 - share if source == "" else share / len(named)
        if not named:
            part = 1.0
        elif not synthetic:
            part = 1 / len(named)
        made[mine] = part * weights[mine] / weights[mine].sum()
    return made


def _batch(features: Tensor, samples: Tensor, labels: Sequence[Sequence[int]]) -> Batch:
    frames = torch.tensor([frames_in(int(count)) for count in samples.tolist()])
    flat = torch.tensor([one for label in labels for one in label], dtype=torch.long)
    counts = torch.tensor([len(label) for label in labels])
    return Batch(features, frames, flat.to(features.device), counts)
