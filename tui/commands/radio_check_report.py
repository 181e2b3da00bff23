"""Tries a set-up before a case by its sound and by a few phrases, and prints the verdict."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grammar.advice.trial_phrases import trial_phrases
from grammar.language.meaning import Meaning
from grammar.language.parse import understanding_of
from grammar.protocol.model import Protocol
from listener.audio.blocks import Source
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.sound_quality import SoundCheck, advice, sound_check
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from listener.confidence.supervised_sure_ear import SureListener
from listener.recognition.recogniser import Hearing, Recogniser

PATIENCE_S = 15.0
"""Seconds of sound for which a phrase is waited for."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A phrase that was asked for; `heard` is None where nobody spoke in time."""

    phrase: str
    heard: str | None
    understood: bool
    ears: tuple[tuple[str, bool], ...] = ()
    """Each ear by name, and whether it understood; empty where only the quick one listens."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The outcome of the check."""

    sound: SoundCheck
    trials: tuple[Trial, ...]
    do: tuple[str, ...]
    """Sentences on what to do, most pressing first."""

    @property
    def ready(self) -> bool:
        """Return whether nothing has to be done and every phrase was understood."""
        return not self.do and all(trial.understood for trial in self.trials)


def radio_check(
    source: Source,
    recogniser: Recogniser,
    protocol: Protocol,
    *,
    ask: Callable[[str], None],
    sure: SureListener | None = None,
) -> Verdict:
    """Ask for one phrase after the other, hear the first channel, and return the verdict. `ask`
    shows a phrase; with a sure ear both try it, and what either understood is understood."""
    understanding = understanding_of(protocol)
    kept: list[Samples] = []
    trials: list[Trial] = []
    said = _said(source, recogniser, kept, sure)
    for phrase in trial_phrases(protocol):
        ask(phrase)
        quick, surely = next(said, None) or (None, None)
        wanted = understanding.read(phrase.split())
        got = {
            ear: heard is not None and _same(understanding.read(heard.split()), wanted)
            for ear, heard in (("quick ear", quick), ("sure ear", surely))
        }
        ears = tuple(got.items()) if sure else ()
        better = surely if got["sure ear"] else quick
        trials.append(Trial(phrase, better, any(got.values()), ears))
    check = sound_check(np.concatenate(kept) if kept else np.zeros(0, np.int16))
    do = advice(check)
    missed = [trial.phrase for trial in trials if not trial.understood]
    if missed:
        do.append(f"not understood: {', '.join(missed)}")
    return Verdict(check, tuple(trials), tuple(do))


def _said(
    source: Source, recogniser: Recogniser, kept: list[Samples], sure: SureListener | None
) -> Iterator[tuple[str, str | None] | None]:
    """Yield the words of each stretch of speech as the quick ear and, where there is one, the sure ear
    heard them; None where there was none for too long. Keeps the sound."""
    segmenter, hearing, waited_s = Segmenter(), None, 0.0
    part: list[Samples] = []
    for block in source.blocks():
        samples = block.samples[:, 0]
        kept.append(samples)
        waited_s += len(samples) / SAMPLE_RATE
        for event in segmenter.push(samples):
            hearing, words = _step(event, hearing, recogniser, part)
            if words:
                waited_s = 0.0
                yield words, _surely(sure, part)
        if waited_s > PATIENCE_S and hearing is None:
            waited_s = 0.0
            yield None
    for event in segmenter.flush():
        hearing, words = _step(event, hearing, recogniser, part)
        if words:
            yield words, _surely(sure, part)


def _surely(sure: SureListener | None, part: list[Samples]) -> str | None:
    """Return the words of the sure ear for a stretch of speech."""
    hearing = sure.hear(np.concatenate(part)) if sure and part else None
    return " ".join(hearing.sentences[0].words) if hearing and hearing.sentences else None


def _step(
    event: SpeechBegan | SpeechWent | SpeechEnded,
    hearing: Hearing | None,
    recogniser: Recogniser,
    part: list[Samples],
) -> tuple[Hearing | None, str]:
    match event:
        case SpeechBegan(_, samples):
            hearing = recogniser.open()
            hearing.accept(samples)
            part[:] = [samples]
        case SpeechWent(samples):
            part.append(samples)
            if hearing:
                hearing.accept(samples)
        case SpeechEnded():
            words = hearing.finish() if hearing else ()
            return None, " ".join(word.text for word in words)
    return hearing, ""


def _same(heard: Meaning, wanted: Meaning) -> bool:
    return (
        heard.kind == wanted.kind
        and heard.reading == wanted.reading
        and not set(heard.doubts) - set(wanted.doubts)
    )


ALONE: Final = {
    "quick ear": "by the quick ear only, which hears it at once",
    "sure ear": "by the sure ear only, which hears it a second later",
}
"""Words for a phrase that one of two ears understood."""


def as_json(verdict: Verdict) -> dict[str, Any]:
    """Return the verdict as one JSON-ready object."""
    sound = verdict.sound
    return {
        "kind": "radio-check",
        "ready": verdict.ready,
        "level_dbfs": sound.level_dbfs,
        "noise_dbfs": sound.noise_dbfs,
        "snr_db": round(sound.snr_db, 1),
        "peak_dbfs": sound.peak_dbfs,
        "clipped_share": round(sound.clipped_share, 5),
        "phrases": [
            {
                "phrase": trial.phrase,
                "heard": trial.heard,
                "understood": trial.understood,
                "ears": dict(trial.ears),
            }
            for trial in verdict.trials
        ],
        "do": list(verdict.do),
    }


def as_text(verdict: Verdict) -> str:
    """Return the verdict for people."""
    sound = verdict.sound
    lines = [
        f"speech {sound.level_dbfs:.0f} dBFS, noise {sound.noise_dbfs:.0f} dBFS,"
        f" signal to noise {sound.snr_db:.0f} dB, peak {sound.peak_dbfs:.0f} dBFS,"
        f" clipped {100 * sound.clipped_share:.2f} %"
    ]
    for trial in verdict.trials:
        if trial.understood:
            by = [ear for ear, understood in trial.ears if understood]
            alone = f"  ({ALONE[by[0]]})" if trial.ears and len(by) == 1 else ""
            lines.append(f"understood      {trial.phrase}{alone}")
        else:
            heard = "nothing" if trial.heard is None else trial.heard
            lines.append(f"NOT understood  {trial.phrase}  (heard: {heard})")
    if verdict.ready:
        lines.append("READY: speech is clear, and every phrase was understood.")
    else:
        lines += ["NOT READY:", *(f"  {each}" for each in verdict.do)]
    return "\n".join(lines)
