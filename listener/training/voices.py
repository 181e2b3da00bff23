"""The voices we own, which of them train and which only score, and one function that speaks.

Voices are split by speaker: a voice whose `use` is "score" is never heard in training, alone or in
a blend, so scores and samples spoken with it say how the model does on a stranger. Those whose `use`
is "calibrate" are strangers to the model too: what is fitted to its answers is fitted on them, so
that it is scored on strangers likewise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import soxr

from listener.training.engines import (
    Engine,
    Espeak,
    Festival,
    Flite,
    Kokoro,
    Pico,
    Piper,
    Samples,
    phonemes_of,
)

RATE = 16000
Kind = Literal["kokoro", "kokoro-ko", "piper", "espeak", "flite", "festival", "pico"]
Use = Literal["train", "calibrate", "score"]

# A woman and two men of each of the US and Britain; a French and a Chinese accent.
SCORING_KOKORO = (
    "af_heart",
    "am_michael",
    "am_onyx",
    "bf_emma",
    "bm_george",
    "bm_lewis",
    "ff_siwis",
    "zf_xiaoxiao",
)
# Taken from the scoring voices: together they are heard as well as all of those were.
CALIBRATING_KOKORO = ("af_kore", "bf_lily", "hm_psi")
TRAINING_ENGLISH = (
    "af_alloy",
    "af_aoede",
    "af_bella",
    "af_jessica",
    "af_nicole",
    "af_nova",
    "af_river",
    "af_sarah",
    "af_sky",
    "am_adam",
    "am_echo",
    "am_eric",
    "am_fenrir",
    "am_liam",
    "am_puck",
    "am_santa",
    "bf_alice",
    "bf_isabella",
    "bm_daniel",
    "bm_fable",
)
TRAINING_ACCENTED = (
    "ef_dora",
    "em_alex",
    "em_santa",
    "hf_alpha",
    "hf_beta",
    "hm_omega",
    "if_sara",
    "im_nicola",
    "jf_alpha",
    "jf_gongitsune",
    "jf_nezumi",
    "jf_tebukuro",
    "jm_kumo",
    "pf_dora",
    "pm_alex",
    "pm_santa",
    "zf_xiaobei",
    "zf_xiaoni",
    "zf_xiaoyi",
    "zm_yunjian",
    "zm_yunxi",
    "zm_yunxia",
    "zm_yunyang",
)
FESTIVAL = ("cmu_us_slt_arctic_hts", "kal_diphone", "ked_diphone")
PITCHES = (70, 80, 90, 100, 112, 125, 140)  # per cent of a voice's own
ESPEAK_DIALECTS = (
    "en-us",
    "en-gb",
    "en-gb-scotland",
    "en-gb-x-rp",
    "en-029",
    "en-gb-x-gbclan",
    "en-us-nyc",
)
ESPEAK_VARIANTS = (
    "",
    *(f"+m{n}" for n in range(1, 9)),
    *(f"+f{n}" for n in range(1, 6)),
    *("+klatt", "+klatt2", "+klatt3", "+klatt4", "+croak", "+Annie", "+Andy", "+linda", "+steph"),
)
KOREAN: Mapping[Use, Sequence[str]] = {
    "calibrate": ("zm_yunxi", "zf_xiaoni", "jm_kumo", "jf_alpha", "am_echo", "bf_alice"),
    "score": ("zm_yunjian", "zm_yunyang", "zf_xiaobei", "jf_tebukuro", "af_heart", "am_michael"),
}
"""Voices of Kokoro that speak Korean, with a foreign accent: it has no Korean ones. A published model
hears espeak-ng's own Korean voice hardly at all."""
_AS_KOKORO = (
    ("-", ""), ("ˈ", ""), ("ˌ", ""), ("q", "k"), ("ɫ", "l"), ("tʃh", "ʧʰ"), ("kh", "kʰ"),
    ("th", "tʰ"), ("ph", "pʰ"), ("tɕ", "ʨ"), ("dʑ", "ʥ"), ("ɐ", "a"),
)  # fmt: skip
"""espeak-ng's signs for Korean -> the nearest that Kokoro knows; stress marks are no part of Korean."""
PICO = tuple(f"{language}/{pitch}" for language in ("en-US", "en-GB") for pitch in PITCHES)


@dataclass(frozen=True, slots=True)
class Voice:
    """Somebody who can speak a text."""

    id: str  # "kind/name", as files and score tables name it
    kind: Kind
    name: str  # as the engine knows it; for a blend the seed of its weights
    natural: bool  # a neural copy of a person, rather than rules or diphones
    use: Use
    blend: bool = False  # a mixture of training voices


def _voice(kind: Kind, name: str, use: Use) -> Voice:
    return Voice(
        id=f"{kind}/{name}",
        kind=kind,
        name=name,
        natural=kind in ("kokoro", "kokoro-ko", "piper"),
        use=use,
    )


def voices(use: Use | None = None, language: str = "en") -> list[Voice]:
    """Return all voices of a language but the blends, or those of one use; none where we own none."""
    if language != "en":
        spoken = KOREAN if language == "ko" else {}
        known = [_voice("kokoro-ko", name, of) for of, names in spoken.items() for name in names]
        return [voice for voice in known if use in (None, voice.use)]
    everyone = [
        *(_voice("kokoro", name, "score") for name in SCORING_KOKORO),
        *(_voice("kokoro", name, "calibrate") for name in CALIBRATING_KOKORO),
        _voice("piper", "joe", "calibrate"),
        _voice("flite", "rms", "score"),
        *(_voice("kokoro", name, "train") for name in TRAINING_ENGLISH + TRAINING_ACCENTED),
        *(_voice("flite", name, "train") for name in ("kal", "kal16", "awb", "slt")),
        *(_voice("festival", name, "train") for name in FESTIVAL),
        *(_voice("pico", name, "train") for name in PICO),
        *(
            _voice("espeak", dialect + variant, "train")
            for dialect in ESPEAK_DIALECTS
            for variant in ESPEAK_VARIANTS
        ),
    ]
    return [voice for voice in everyone if use in (None, voice.use)]


def voice(id_: str) -> Voice:
    """Return the voice of this id, a blend ("kokoro/blend-17") included; raises KeyError."""
    kind, _, name = id_.partition("/")
    if kind == "kokoro" and name.startswith("blend-"):
        return blend(int(name.removeprefix("blend-")))
    for known in (*voices(), *voices(language="ko")):
        if known.id == id_:
            return known
    raise KeyError(id_)


def blend(seed: int) -> Voice:
    """Return a new natural voice: a random mixture of training voices; the same seed, the same voice."""
    return Voice(
        id=f"kokoro/blend-{seed}",
        kind="kokoro",
        name=str(seed),
        natural=True,
        use="train",
        blend=True,
    )


Half = Literal["timbre", "manner"]


def blend_weights(seed: int, half: Half = "timbre") -> dict[str, float]:
    """Return the share of each training voice in one half of a blend; shares sum to 1.

    A Kokoro style has two halves: how a voice sounds, and how it speaks (melody and pace). Half of
    the blends take the second from other parents. Two to four parents: more would all tend to one
    mean voice. Shares are stretched away from that mean, some below zero, to reach voices that lie
    between no others. Foreign parents colour an English one, so that accents come in degrees.
    """
    rng = np.random.default_rng(seed)
    other_manner = rng.random() < 0.5
    if half == "manner" and other_manner:
        rng = np.random.default_rng((seed, 1))
    count = int(rng.integers(2, 5))
    foreign = int(rng.random() < 0.4)
    parents = [
        *rng.choice(TRAINING_ENGLISH, count - foreign, replace=False),
        *rng.choice(TRAINING_ACCENTED, foreign, replace=False),
    ]
    shares = rng.dirichlet(np.full(count, 0.9))
    shares = shares + rng.uniform(0.0, 0.4) * (shares - shares.mean())
    return {str(parent): float(share) for parent, share in zip(parents, shares, strict=True)}


def style_of(speaker: Voice) -> Samples:
    """Return the Kokoro style of a voice or blend, shape (510, 256)."""
    kokoro = _kokoro()
    if not speaker.blend:
        return kokoro.style(speaker.name)
    halves: dict[Half, slice] = {"timbre": slice(None, 128), "manner": slice(128, None)}
    mixed = [
        np.sum(
            [
                share * kokoro.style(name)[:, columns]
                for name, share in blend_weights(int(speaker.name), half).items()
            ],
            axis=0,
        )
        for half, columns in halves.items()
    ]
    return np.asarray(np.concatenate(mixed, axis=1), np.float32)


def dialect_of(speaker: Voice) -> str:
    """Return the espeak-ng language whose phonemes a natural voice is given: "en-us" or "en-gb"."""
    name = speaker.name
    if speaker.blend:
        weights = blend_weights(int(speaker.name))
        name = max(weights, key=lambda parent: weights[parent])
    return "en-gb" if name.startswith("b") else "en-us"


def speak(text: str, speaker: Voice | str, *, speed: float = 1.0) -> Samples:
    """Return the text in this voice: mono float32 at 16 kHz, peak 0.7, silence at both ends trimmed.

    `speed` is about 0.7 to 1.4; 1 is the voice's own pace. Raises UserError where the voice's
    engine or files are missing, KeyError for an unknown voice id.
    """
    who = voice(speaker) if isinstance(speaker, str) else speaker
    if who.kind == "kokoro":
        tokens = kokoro_tokens(text, who)
        return speak_tokens(tokens, who, speed=speed)
    if who.kind == "kokoro-ko":
        return speak_tokens(_korean_tokens(text), who, speed=0.95 * speed)
    sound, rate = _engine(who.kind).speak(text, who.name, speed)
    return level(soxr.resample(sound, rate, RATE))


def kokoro_tokens(text: str, speaker: Voice) -> list[int]:
    """Return the text as Kokoro's tokens, in the voice's dialect."""
    return _kokoro().tokens(phonemes_of(text, dialect_of(speaker)))


def _korean_tokens(text: str) -> list[int]:
    """Korean as Kokoro's tokens: espeak-ng's sounds."""
    sounds = phonemes_of(text, "ko")
    for old, new in _AS_KOKORO:
        sounds = sounds.replace(old, new)
    return _kokoro().tokens(sounds)


def speak_tokens(tokens: Sequence[int], speaker: Voice, *, speed: float = 1.0) -> Samples:
    """Speak ready tokens in a Kokoro voice, as `speak` does, where espeak-ng may be missing."""
    sound, rate = _kokoro().speak_tokens(tokens, style_of(speaker), speed)
    return level(soxr.resample(sound, rate, RATE))


def level(sound: Samples) -> Samples:
    """Trim near-silence (60 dB under the peak) at both ends and bring the peak to 0.7."""
    peak = float(np.abs(sound).max(initial=0.0))
    loud = np.flatnonzero(np.abs(sound) > peak * 1e-3)
    if not len(loud):
        return np.zeros(0, np.float32)
    margin = RATE // 50
    trimmed = sound[max(0, loud[0] - margin) : loud[-1] + margin]
    return np.asarray(trimmed * (0.7 / peak), np.float32)


@cache
def _kokoro() -> Kokoro:
    return Kokoro()


@cache
def _engine(kind: Kind) -> Engine:
    engines: dict[Kind, type[Engine]] = {
        "kokoro": Kokoro,
        "kokoro-ko": Kokoro,
        "piper": Piper,
        "espeak": Espeak,
        "flite": Flite,
        "festival": Festival,
        "pico": Pico,
    }
    return engines[kind]()
