"""From texts to clips: what is to be spoken, by whom, with which label; then the speaking itself.

Planning and speaking are apart, since planning needs espeak-ng and the dictionaries but speaking,
which takes hours of work, only the voices: it can be done on another machine, in many processes.
"""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import soundfile

from grammar.language.word_network import Network
from listener.recognition.lexicon import Lexicon, build_lexicon, dictionary_path
from listener.training.engines import Samples, phonemes_of
from listener.training.labels import best_phones, phones_of_ipa
from listener.training.texts import call_out, number_phrase, random_text, sentence
from listener.training.voices import (
    RATE,
    TRAINING_ACCENTED,
    TRAINING_ENGLISH,
    Use,
    Voice,
    blend,
    dialect_of,
    kokoro_tokens,
    speak,
    speak_tokens,
    voice,
    voices,
)
from listener.training.wordlists import words

FAR = 0.25
"""A text whose label is farther than this from what espeak-ng reads is left out."""
LONGEST_S = 9.0


@dataclass(frozen=True, slots=True)
class Job:
    """A clip to be spoken, or one that was spoken already."""

    id: str
    kind: str  # of text
    voice: str
    speed: float
    text: str
    phones: tuple[str, ...]
    tokens: tuple[int, ...] = ()  # Kokoro's, for its voices

    @property
    def file(self) -> str:
        """The clip's name within its folder."""
        return f"{self.id}.ogg"


def write_jobs(path: Path, jobs: Iterable[Job]) -> None:
    """Write jobs, one JSON object a line."""
    with path.open("w", encoding="utf-8") as out:
        for job in jobs:
            out.write(json.dumps(asdict(job)) + "\n")


def read_jobs(path: Path) -> list[Job]:
    """Return the jobs that `write_jobs` wrote."""
    with path.open(encoding="utf-8") as lines:
        return [_job(json.loads(line)) for line in lines]


def _job(fields: Mapping[str, Any]) -> Job:
    return Job(**{**fields, "phones": tuple(fields["phones"]), "tokens": tuple(fields["tokens"])})


def dictionary_words() -> list[str]:
    """Return plain words of the CMU dictionary, three to ten letters."""
    with dictionary_path().open(encoding="utf-8") as lines:
        found = {line.partition(" ")[0] for line in lines}
    plain = {word for word in found if word.isalpha() and 3 <= len(word) <= 10}
    return sorted(plain - set(words().unseen))


def natural_voice(rng: random.Random) -> Voice:
    """Return a neural training voice: two times in three a blend, in one of nine an accent."""
    draw = rng.random()
    if draw < 0.67:
        return blend(rng.randrange(1_000_000))
    return voice(f"kokoro/{rng.choice(TRAINING_ENGLISH if draw < 0.89 else TRAINING_ACCENTED)}")


def plain_voice(rng: random.Random) -> Voice:
    """Return a training voice of an older kind (rules, diphones, averages), each kind as often."""
    kind = rng.choice(["espeak", "flite", "festival", "pico"])
    return rng.choice([known for known in voices("train") if known.kind == kind])


def plan(
    count: int,
    networks: Sequence[Network],
    pronunciations: Mapping[str, Sequence[str]],
    *,
    natural: bool,
    seed: int,
) -> Iterator[Job]:
    """Return `count` clips of random texts in random training voices; the same seed gives the same clips.

    `pronunciations` are those of the protocols, which join our own and the dictionary's.
    """
    rng = random.Random(seed)
    dictionary, lexicon = dictionary_words(), everything_sayable(pronunciations)
    made = 0
    while made < count:
        speaker = natural_voice(rng) if natural else plain_voice(rng)
        kind, text = random_text(rng, networks, dictionary)
        speed = round(rng.uniform(0.85, 1.25), 2)
        wanted = Job(
            id=f"{speaker.kind}-{seed}-{made}",
            kind=kind,
            voice=speaker.id,
            speed=speed,
            text=text,
            phones=(),
        )
        job = job_for(wanted, lexicon)
        if job:
            made += 1
            yield job


def plan_scoring(
    name: str,
    each: int,
    network: Network,
    pronunciations: Mapping[str, Sequence[str]],
    *,
    seed: int,
    use: Use = "score",
) -> Iterator[Job]:
    """Return `each` clips for every voice of one use: sentences of one network, no text twice.

    Half are random walks through the network, half call-outs such as people make, drawn from our own texts
    and kept where the network allows them (else walks too).
    """
    rng = random.Random(seed)
    lexicon = everything_sayable(pronunciations)
    used: set[str] = set()
    for speaker in voices(use):
        made = 0
        while made < each:
            kind, text = "walk", sentence(rng, network)
            if made % 2:
                tried = (rng.choice([call_out, number_phrase])(rng) for _ in range(1000))
                natural = (one for one in tried if network.accepts(one.split()))
                kind, text = "call", next(natural, text)
            if text in used and rng.random() < 0.99:
                continue
            wanted = Job(
                id=f"{name}-{speaker.name}-{made}",
                kind=kind,
                voice=speaker.id,
                speed=1.0,
                text=text,
                phones=(),
            )
            job = job_for(wanted, lexicon)
            if job:
                used.add(text)
                made += 1
                yield job


def plan_scoring_published(
    name: str,
    each: int,
    network: Network,
    *,
    language: str,
    seed: int,
    use: Use = "score",
    unknown: Collection[str] = (),
) -> Iterator[Job]:
    """Return clips as `plan_scoring` does, in another language, whose published model needs no labels of
    phones.

    Only walks, half of them of at most four words, none with a word that is `unknown` to the model.
    """
    rng = random.Random(seed)
    walks = (sentence(rng, network, most_words=10) for _ in itertools.count())
    used: set[str] = set()
    for speaker in voices(use, language):
        for made in range(each):
            text = next(
                walk
                for walk in walks
                if (made % 2 or len(walk.split()) <= 4)
                and walk not in used
                and not set(walk.split()) & set(unknown)
            )
            used.add(text)
            yield Job(
                id=f"{name}-{speaker.name}-{made}",
                kind="walk",
                voice=speaker.id,
                speed=1.0,
                text=text,
                phones=(),
            )


def job_for(job: Job, lexicon: Lexicon) -> Job | None:
    """Return the clip with its label and tokens, or None where it would not be right.

    That is where a word has no pronunciation or espeak-ng reads the text otherwise.
    """
    said = job.text.split()
    if any(word not in lexicon for word in said):
        return None
    speaker = voice(job.voice)
    heard = phones_of_ipa(phonemes_of(job.text, dialect_of(speaker)))
    phones, distance = best_phones(said, lexicon, heard)
    if distance > FAR:
        return None
    tokens = kokoro_tokens(job.text, speaker) if speaker.kind == "kokoro" else ()
    return replace(job, phones=tuple(phones), tokens=tuple(tokens))


def everything_sayable(pronunciations: Mapping[str, Sequence[str]]) -> Lexicon:
    """Return all ways to say any word: a protocol's, ours and the dictionary's together."""
    ours = words().pronunciations
    extra = {
        word: (*ours.get(word, ()), *pronunciations.get(word, ()))
        for word in (*ours, *pronunciations)
    }
    with dictionary_path().open(encoding="utf-8") as lines:
        known = {line.partition(" ")[0].partition("(")[0] for line in lines}
    return build_lexicon(known | extra.keys(), extra)


def speak_jobs(jobs: Sequence[Job], folder: Path, processes: int) -> int:
    """Speak what is not there yet into `folder`, as Ogg Opus at 16 kHz; returns how many there are.

    Clips that come out empty or longer than LONGEST_S are not written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    todo = [(job, folder) for job in jobs if not (folder / job.file).exists()]
    if processes == 1:
        for each in todo:
            _speak_one(each)
    else:
        with ProcessPoolExecutor(processes) as pool:
            list(pool.map(_speak_one, todo, chunksize=4))
    return sum((folder / job.file).exists() for job in jobs)


def _speak_one(each: tuple[Job, Path]) -> None:
    job, folder = each
    who = voice(job.voice)
    if who.kind == "kokoro":
        sound = speak_tokens(job.tokens, who, speed=job.speed)
    else:
        sound = speak(job.text, who, speed=job.speed)
    write_clip(job, sound, folder)


def write_clip(job: Job, sound: Samples, folder: Path) -> None:
    """Keep the clip, unless it came out empty or too long."""
    if RATE // 8 < len(sound) < LONGEST_S * RATE:
        # Written whole under another name, so that a broken-off run leaves no half clip.
        partial = folder / f"{job.id}.part"
        soundfile.write(partial, sound, RATE, format="OGG", subtype="OPUS")
        partial.rename(folder / job.file)
