"""Teaches Whisper our sentences: what is added to its weights, learned beside what people read.

    python -m listener.training adapter --work WORK --speech FOLDER --seconds 480

learns from the clips that `plan` and `speak` made and from the sentences of FOLDER, distorted afresh in
each step. Whisper itself is held: it has heard far more people than we have. It learns the words of the
trade ("rocuronium"), to write numbers as words, and speech in noise, behind a mask and over a radio.
People who are set apart by name, and voices that score or calibrate, never train.
"""

from __future__ import annotations

import csv
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import torch
from torch import nn
from torch.nn import functional

from listener.bench.known_speakers import is_apart
from listener.recognition.sure_ear import SHORT_S, SILENCE_S, WINDOW_S
from listener.training.clips import Job
from listener.training.data import Store, shares
from listener.training.distort import Distortion, Ranges
from listener.training.people import KIND, noises
from listener.training.voices import RATE
from listener.training.whisper_network import WhisperNetwork

Tensor = torch.Tensor
BEGIN: Final = ("<|startoftranscript|>", "<|en|>", "<|transcribe|>", "<|notimestamps|>")
NOBODY, END = "<|nospeech|>", "<|endoftext|>"
IGNORED: Final = -100
"""The target of a token that is given, so that nothing is learned from it."""
LONGEST_S: Final = 15.0
PEOPLE: Final = 0.4
"""Share of clips by people, each source of theirs as often."""
EMPTY_SHARE: Final = 0.04
"""Of the clips of a step, those in which nobody speaks."""
WARM_UP: Final = 0.03
"""Share of the time in which the learning rate rises."""
AVERAGE_OVER: Final = 400
"""Steps over which what was learned is averaged."""
NOISE: Final = Ranges(noise_db=(0.0, 28.0))
"""Louder noise hides the words, and would teach to guess them."""


class LogMel:
    """Whisper's features: 80 bands of log power, 100 frames a second."""

    def __init__(self, filters: npt.NDArray[np.float32], device: torch.device) -> None:
        """`filters` are its mel filters, shape (80, 201)."""
        self._filters = torch.from_numpy(filters).to(device)
        self._window = torch.hann_window(400, dtype=torch.float64).float().to(device)

    def __call__(self, sound: Tensor) -> Tensor:
        """Return features (batch, 80, samples / 160) of sound (batch, samples) in [-1, 1]."""
        padded = functional.pad(sound, (0, 160))
        found = torch.stft(
            padded, 400, 160, window=self._window, pad_mode="reflect", return_complex=True
        )
        power = found[..., :-1].abs() ** 2
        logs = torch.log10((self._filters @ power).clamp(min=1e-10))
        logs = torch.maximum(logs, logs.amax((1, 2), keepdim=True) - 8)
        return ((logs + 4) / 4)[..., : sound.shape[1] // 160]


def mel_filters() -> npt.NDArray[np.float32]:
    """Return the filters of Whisper's features, shape (80, 201)."""
    from faster_whisper.feature_extractor import FeatureExtractor  # noqa: PLC0415

    return np.asarray(FeatureExtractor().mel_filters, np.float32)


@dataclass(frozen=True, slots=True)
class Lesson:
    """One step's clips: features (batch, 80, frames), tokens given and to be found (batch, length)."""

    mel: Tensor
    given: Tensor
    wanted: Tensor


class Spelling:
    """Texts as Whisper's tokens."""

    def __init__(self, tokenizer: Path) -> None:
        from tokenizers import Tokenizer  # noqa: PLC0415  (comes with the extra `people`)

        self._tokens = Tokenizer.from_file(str(tokenizer))
        self.begin = [self.number(name) for name in BEGIN]
        self.nobody, self.end = self.number(NOBODY), self.number(END)

    def number(self, name: str) -> int:
        """Return the number of a token. Raises KeyError where the model has none of that name."""
        found = self._tokens.token_to_id(name)
        if found is None:
            raise KeyError(name)
        return int(found)

    def of(self, text: str) -> list[int]:
        """Return the tokens of words as Whisper writes a sentence: a capital, and a full stop."""
        return self.raw(f" {text[:1].upper()}{text[1:]}.")

    def raw(self, text: str) -> list[int]:
        """Return the tokens of a text as it stands."""
        encoded: list[int] = self._tokens.encode(text, add_special_tokens=False).ids
        return encoded

    def text(self, tokens: Sequence[int]) -> str:
        """Return the text of tokens, without marks."""
        decoded: str = self._tokens.decode(list(tokens), skip_special_tokens=True)
        return decoded


class Lessons:
    """Endless lessons from clips, and plain ones to look at progress."""

    def __init__(
        self,
        store: Store,
        texts: Sequence[Sequence[int]],
        spelling: Spelling,
        mel: LogMel,
        *,
        people: float,
        noises: npt.NDArray[np.float32] | None,
        left_out: Sequence[int],
    ) -> None:
        """`texts` are the tokens of each clip of `store`, `left_out` the clips that never train; `people`
        is the share of clips by people."""
        self._store, self._texts, self._spelling, self._mel = store, texts, spelling, mel
        weights = shares(store.jobs, people)
        weights[list(left_out)] = 0.0
        self._weights = weights / weights.sum()
        self._distortion = Distortion(store.device, NOISE, noises=noises)
        self._rng = np.random.default_rng(0)

    def learning(self, size: int) -> Iterator[Lesson]:
        """Yield distorted clips, those of like length together."""
        pool = 8
        while True:
            drawn = self._rng.choice(len(self._weights), size * pool, p=self._weights)
            order = drawn[np.argsort(self._store.lengths[drawn])]
            for part in self._rng.permutation(pool):
                yield self.lesson(order[part * size : (part + 1) * size])

    def lesson(self, chosen: npt.NDArray[np.int64]) -> Lesson:
        """Return these clips, distorted."""
        store, device, count = self._store, self._store.device, len(chosen)
        ids = torch.from_numpy(chosen).to(device)

        def uniform(low: float, high: float) -> Tensor:
            return torch.empty(count, device=device).uniform_(low, high)

        speed = uniform(0.85, 1.18)
        spoken = store.sizes[ids] / speed
        before, after = uniform(0.05, 0.7) * RATE, uniform(0.2, 0.9) * RATE
        whole = (before + spoken + after).long()
        total = -(-int(whole.max()) // 4000) * 4000
        sound = store.placed(ids, before, speed, total)
        empty = torch.rand(count, device=device) < EMPTY_SHARE
        sound = self._distortion(sound * ~empty[:, None], spoken) / 32768
        inside = torch.arange(total, device=device)[None] < whole[:, None]
        window_s = total / RATE + SILENCE_S
        if total < SHORT_S * RATE or self._rng.random() < 0.3:
            window_s = max(window_s, WINDOW_S)
        padded = functional.pad(sound * inside, (0, round(window_s * RATE) - total))
        padded = padded[:, : padded.shape[1] // 320 * 320]
        return self._told(padded, [self._texts[one] for one in chosen], empty.tolist())

    def _told(self, sound: Tensor, texts: Sequence[Sequence[int]], empty: Sequence[bool]) -> Lesson:
        spelling = self._spelling
        rows = [[] if hush else list(text) for text, hush in zip(texts, empty, strict=True)]
        length = len(spelling.begin) + max(map(len, rows))
        given = torch.full((len(rows), length), spelling.end)
        wanted = torch.full((len(rows), length), IGNORED)
        for row, (text, hush) in enumerate(zip(rows, empty, strict=True)):
            said = [*spelling.begin, *text]
            given[row, : len(said)] = torch.tensor(said)
            wanted[row, 0] = spelling.nobody if hush else spelling.begin[1]
            first = len(spelling.begin) - 1
            wanted[row, first : len(said)] = torch.tensor([*text, spelling.end])
        device = self._store.device
        return Lesson(self._mel(sound), given.to(device), wanted.to(device))


def losses(network: WhisperNetwork, lesson: Lesson) -> Tensor:
    """Return the mean loss of each clip of a lesson, in nats a token, shape (batch,)."""
    with torch.autocast(lesson.mel.device.type, torch.bfloat16):
        scores = network.scores(lesson.given, network.encoded(lesson.mel))
    each = functional.cross_entropy(
        scores.float().transpose(1, 2), lesson.wanted, ignore_index=IGNORED, reduction="none"
    )
    return each.sum(1) / (lesson.wanted != IGNORED).sum(1)


@dataclass(frozen=True, slots=True)
class Course:
    """How long a network learns, and how quickly."""

    seconds: float
    rate: float
    size: int = 96


class Learner:
    """One network that learns, and the running mean of what it learned."""

    def __init__(self, network: WhisperNetwork, course: Course) -> None:
        self.network, self._course = network, course
        self._parts = list(network.parameters())
        self._mean = [part.detach().clone() for part in self._parts]
        self._step = torch.optim.AdamW(self._parts, lr=course.rate, weight_decay=0.01)
        self.steps = 0

    def learn(self, lesson: Lesson, share: float) -> float:
        """Learn from one lesson, `share` of the time being over; return the loss."""
        warm, fall = min(1.0, share / WARM_UP), 0.5 * (1 + math.cos(math.pi * min(share, 1.0)))
        for group in self._step.param_groups:
            group["lr"] = self._course.rate * warm * max(fall, 0.01)
        loss = losses(self.network, lesson).mean()
        self._step.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(self._parts, 1.0)
        self._step.step()
        self.steps += 1
        with torch.no_grad():
            pull = max(1 / self.steps, 1 / AVERAGE_OVER)
            for mean, part in zip(self._mean, self._parts, strict=True):
                mean.lerp_(part, pull)
        return float(loss.detach())

    def take_mean(self) -> None:
        """Put the running mean in the place of what was learned last."""
        with torch.no_grad():
            for mean, part in zip(self._mean, self._parts, strict=True):
                part.copy_(mean)


def read_jobs_of_people(speech: Path) -> list[Job]:
    """Return a job for each whole recording of `speech`/sentences that is not too long to learn from."""
    with (speech / "sentences" / "manifest.tsv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines, delimiter="\t"))
    return [
        Job(
            id=Path(row["file"]).stem,
            kind="read",
            voice=f"{KIND}/{row['source']}-{row['speaker']}",
            speed=1.0,
            text=row["words"].lower(),
            phones=(),
        )
        for row in rows
        if float(row["seconds"]) <= LONGEST_S
    ]


def written(
    network: WhisperNetwork,
    store: Store,
    ids: Sequence[int],
    *,
    spelling: Spelling,
    mel: LogMel,
) -> dict[int, list[int]]:
    """Return what the network writes of some clips in clean sound, as tokens, without its end."""
    found: dict[int, list[int]] = {}
    for at in range(0, len(ids), 48):
        part = list(ids[at : at + 48])
        chosen = torch.tensor(part, device=store.device)
        total = round((LONGEST_S + SILENCE_S) * RATE)
        begin = torch.full((len(part),), RATE / 4, device=store.device)
        sound = store.placed(chosen, begin, torch.ones_like(begin), total) / 32768
        tokens = torch.tensor([spelling.begin] * len(part), device=store.device)
        with torch.no_grad(), torch.autocast(store.device.type, torch.bfloat16):
            encoded = network.encoded(mel(sound))
            for _ in range(80):
                likeliest = network.scores(tokens, encoded)[:, -1].argmax(-1)
                over = (tokens[:, len(spelling.begin) :] == spelling.end).any(1)
                following = torch.where(over, spelling.end, likeliest)
                tokens = torch.cat([tokens, following[:, None]], 1)
                if bool((following == spelling.end).all()):
                    break
        for one, row in zip(part, tokens[:, len(spelling.begin) :].tolist(), strict=True):
            if spelling.end in row:
                found[one] = row[: row.index(spelling.end)]
    return found


def teach(
    learners: Sequence[Learner],
    lessons: Lessons,
    course: Course,
    *,
    watched: Mapping[str, Sequence[Lesson]],
    tell: Callable[[str], Any],
) -> None:
    """Have the networks learn from the same lessons for the course's time; tell how they come on."""
    began = told = time.monotonic()
    for number, lesson in enumerate(lessons.learning(course.size)):
        share = (time.monotonic() - began) / course.seconds
        if share >= 1:
            break
        found = [learner.learn(lesson, share) for learner in learners]
        if number == 0 or time.monotonic() - told > 60:
            told = time.monotonic()
            now = ", ".join(f"{loss:.3f}" for loss in found)
            tell(f"{told - began:.0f} s, {number} steps: {now}; {_watched(learners, watched)}")
    for learner in learners:
        learner.take_mean()
    tell(f"in the end: {_watched(learners, watched)}")


def _watched(learners: Sequence[Learner], watched: Mapping[str, Sequence[Lesson]]) -> str:
    """Return the losses on what never trains, for people to read."""
    said = []
    for name, lessons in watched.items():
        means = []
        for learner in learners:
            with torch.no_grad():
                each = torch.cat([losses(learner.network, lesson) for lesson in lessons])
            means.append(f"{float(each.mean()):.3f}")
        said.append(f"{name} {' '.join(means)}")
    return ", ".join(said)


def learned(
    model: Path,
    *,
    made: Sequence[Job],
    folders: Sequence[Path],
    speech: Path,
    courses: Sequence[Course],
    device: torch.device,
    tell: Callable[[str], Any],
) -> list[WhisperNetwork]:
    """Return a network for each course, all taught by the same lessons.

    `model` is the folder of Whisper's weights, `made` are synthetic clips in `folders`. Every 40th,
    and people set apart, only show how the networks come on.
    """
    mel, spelling = LogMel(mel_filters(), device), Spelling(model / "tokenizer.json")
    networks = [WhisperNetwork.of(model / "model.bin").to(device) for _ in courses]
    read = read_jobs_of_people(speech)
    store = Store([*made, *read], [*folders, speech / "sentences"], device)
    wordless = [at for at, job in enumerate(store.jobs) if not job.text]
    texts = known_texts(
        store.jobs, spelling, written(networks[0], store, wordless, spelling=spelling, mel=mel)
    )
    kept = [bool(text) for text in texts]
    synthetic = [at for at, job in enumerate(store.jobs) if not job.voice.startswith(KIND)][::40]
    unseen = {*apart(store.jobs), *synthetic}
    tell(
        f"{len(store.jobs)} clips, {store.hours:.1f} h, {sum(kept)} with words, {len(unseen)} apart"
    )
    lessons = Lessons(
        store, texts, spelling, mel, people=PEOPLE, noises=noises(speech),
        left_out=[at for at in range(len(texts)) if at in unseen or not kept[at]],
    )  # fmt: skip
    groups = {
        "people": [at for at in apart(store.jobs) if kept[at]],
        "synthetic": synthetic,
    }
    watched = {
        name: [lessons.lesson(np.array(ids[at : at + 48])) for at in range(0, len(ids), 48)]
        for name, ids in groups.items()
        if ids
    }
    learners = [Learner(network, course) for network, course in zip(networks, courses, strict=True)]
    teach(learners, lessons, courses[0], watched=watched, tell=tell)
    return networks


def known_texts(
    jobs: Sequence[Job], spelling: Spelling, heard: Mapping[int, Sequence[int]]
) -> list[list[int]]:
    """Return the tokens of each job: of its words, else of what was heard; none where there is neither."""
    return [
        spelling.of(job.text) if job.text else list(heard.get(at, ()))
        for at, job in enumerate(jobs)
    ]


def keep_additions(path: Path, network: WhisperNetwork, kept: float = 1.0) -> None:
    """Write the share `kept` of what a network learned, which the sure ear adds to its weights."""
    made: dict[str, Any] = dict(network.additions(kept))
    np.savez(path, **made)


def apart(jobs: Sequence[Job]) -> list[int]:
    """Return the numbers of the jobs by people who are set apart."""
    return [at for at, job in enumerate(jobs) if job.voice.startswith(KIND) and is_apart(job.voice)]
