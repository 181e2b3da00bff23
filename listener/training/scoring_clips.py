"""Folders of labelled clips for `answerback bench`: call-outs, human numbers, unrelated speech.

    python -m listener.training clips --work WORK

makes WORK/scoring and WORK/calibrating, the second in voices that do not score. A clip is NAME.flac,
clean, and NAME.toml, its truth: `protocol`, or `phrases` where lone words are heard; and for each
`[[utterance]]` its `t` and `until` in seconds, `from`, `words`, `role`, `call`, `slots`, as in the
sample drills. The role is "chatter" for speech that is no call, and "words" for lone words.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from grammar.case.facts import Heard
from grammar.case.fold import Case
from grammar.language.words import Word
from grammar.protocol.model import Protocol
from grammar.reports.summary import slots_json
from listener.bench.conditions import active_span
from listener.training.clips import Job
from listener.training.engines import Samples
from listener.training.prompts import foreign, lone_numbers, remarks
from listener.training.texts import english
from listener.training.voices import RATE, Use, speak, speak_tokens, voice, voices
from listener.training.wordlists import korean_remarks

BEFORE_S, AFTER_S, BETWEEN_S = 0.6, 1.0, 0.9
LONG_S = 25.0
"""About the length of a clip of unrelated speech."""
NOTE = "Invented for training: no real patient, place or person; the values are no advice."


def make_call_outs(protocol: Protocol, jobs: Iterable[Job], folder: Path) -> int:
    """Speak call-outs of a protocol into `folder`; what is there already stays. Returns how many."""
    made = 0
    for job in jobs:
        made += 1
        if (folder / f"{job.id}.toml").exists():
            continue
        who = voice(job.voice)
        if job.tokens:
            sound = speak_tokens(job.tokens, who, speed=job.speed)
        else:
            sound = speak(job.text, who, speed=job.speed)
        utterance = {"words": job.text, **meant(protocol, job.text)}
        heads = {"protocol": protocol.protocol.id}
        _write(folder / job.id, [(sound, utterance)], heads, job.voice)
    return made


def make_chatter(
    minutes: float, use: Use, *, protocols: Sequence[Protocol], folder: Path, language: str = "en"
) -> None:
    """Write clips of unrelated speech: plain sentences of our own, each voice of a use in turn."""
    rng = random.Random(f"chatter {use}")
    known = voices(use, language)
    number = 0
    length_s = 0.0
    while length_s < minutes * 60:
        who = known[number % len(known)]
        own = korean_remarks(use) if language == "ko" else ()
        texts = rng.sample(own, 7) if own else [english(rng) for _ in range(7)]
        path = folder / f"chatter-{number:02}"
        number += 1
        if not path.with_suffix(".toml").exists():
            said = [(speak(text, who), {"words": text, "role": "chatter"}) for text in texts]
            heads = {"protocol": protocols[number % len(protocols)].protocol.id}
            _write(path, said, heads, who.id)
        length_s += soundfile.info(path.with_suffix(".flac")).duration


def make_human(protocols: Sequence[Protocol], folder: Path) -> None:
    """Write clips of numbers and unrelated prompts spoken by a person, from Debian's packages."""
    numbers = lone_numbers()
    for name, (words, sound) in numbers.items():
        heads: dict[str, Any] = {"phrases": sorted({said for said, _ in numbers.values()})}
        spoken = [(sound, {"words": words, "role": "words"})]
        _write(folder / f"number-{name}", spoken, heads, "human/prompts")
    said = ((sound, {"words": words, "role": "chatter"}) for words, sound in remarks())
    _write_together("prompts", said, protocols=protocols, folder=folder)


def make_foreign(minutes: float, protocols: Sequence[Protocol], folder: Path) -> None:
    """Write clips of sentences that people speak in other languages, from Debian's packages."""
    said = ((sound, {"words": "in another language", "role": "chatter"}) for sound in foreign())
    _write_together("foreign", said, protocols=protocols, folder=folder, minutes=minutes)


def _write_together(
    name: str,
    spoken: Iterable[tuple[Samples, dict[str, Any]]],
    *,
    protocols: Sequence[Protocol],
    folder: Path,
    minutes: float = math.inf,
) -> None:
    """Unrelated sentences by people, several to a clip, up to so many minutes."""
    together: list[tuple[Samples, dict[str, Any]]] = []
    number = length = 0
    for sentence in spoken:
        together.append(sentence)
        length += len(sentence[0])
        if sum(len(one) for one, _ in together) > LONG_S * RATE:
            heads = {"protocol": protocols[number % len(protocols)].protocol.id}
            _write(folder / f"{name}-{number:02}", together, heads, "human/prompts")
            together, number = [], number + 1
        if length > minutes * 60 * RATE:
            return


def meant(protocol: Protocol, words: str) -> dict[str, Any]:
    """Return role, call and slots of a sentence said alone, by the protocol's own grammar."""
    case = Case(protocol)
    spoken = tuple(Word(word, 0.0, 1.0) for word in words.split())
    said = case.add(Heard(seq=1, t=0.0, until=1.0, words=spoken))
    if said is None:
        raise ValueError(f"“{words}” is no utterance")
    found: dict[str, Any] = {"role": said.role}
    if said.call:
        found["call"] = said.call
    if said.slots:
        found["slots"] = slots_json(said.slots)
    return found


def _write(
    path: Path,
    spoken: Sequence[tuple[Samples, Mapping[str, Any]]],
    heads: Mapping[str, Any],
    speaker: str,
) -> None:
    """A clip and its truth; the truth last, so that a clip with one is complete."""
    parts = [np.zeros(round(BEFORE_S * RATE), np.float32)]
    utterances = []
    at = len(parts[0])
    for number, (sound, truth) in enumerate(spoken):
        if number:
            parts.append(np.zeros(round(BETWEEN_S * RATE), np.float32))
            at += len(parts[-1])
        first, last = active_span(sound)
        times = {"t": round((at + first) / RATE, 3), "until": round((at + last) / RATE, 3)}
        utterances.append({**times, "from": "speaker", **truth})
        parts.append(sound)
        at += len(sound)
    parts.append(np.zeros(round(AFTER_S * RATE), np.float32))
    whole = np.concatenate(parts)
    soundfile.write(path.with_suffix(".flac"), whole, RATE, subtype="PCM_16")
    top = {"invented": True, "note": NOTE, **heads, "duration_s": round(len(whole) / RATE, 3)}
    text = "\n".join(
        [
            _table("", top),
            _table("[voice]", {"speaker": speaker}),
            *(_table("[[utterance]]", utterance) for utterance in utterances),
        ]
    )
    path.with_suffix(".toml").write_text(text, encoding="utf-8")


def _table(name: str, values: Mapping[str, Any]) -> str:
    rows = [f"{key} = {_value(value)}\n" for key, value in values.items()]
    return "".join([f"{name}\n" if name else "", *rows])


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    # What JSON and TOML write alike: strings (of ASCII), lists of them, numbers, true and false.
    return json.dumps(value)
