"""Prowords: the fixed words of radio practice, by language.

Source of the English set: ICAO Doc 9432 (Manual of Radiotelephony), chapter 2, and common radio
practice. A protocol may give other forms for any of them in its `[prowords]` table.
"""

from __future__ import annotations

from collections.abc import Mapping

BARE = (
    "acknowledge",
    "affirm",
    "negative",
    "say-again",
    "i-say-again",
    "correction",
    "disregard",
    "stand-by",
)
"""Prowords that may be a whole utterance."""

LEADING = ("acknowledge", "affirm", "negative", "correction", "i-say-again", "confirm")
"""Prowords that may stand before a call or an answer."""

ENGLISH: Mapping[str, tuple[str, ...]] = {
    "acknowledge": (
        "copy [that]",
        "copied",
        "roger [that]",
        "received",
        "understood",
        "got it",
        "okay",
    ),
    "affirm": ("affirm", "affirmative", "[that is] correct", "confirmed", "yes"),
    "negative": ("negative", "no"),
    "say-again": ("say again [please]", "say that again", "repeat that"),
    "i-say-again": ("i say again",),
    "correction": ("correction",),
    # "I request verification of": who says so of a call asks, and repeats it.
    "confirm": ("confirm",),
    "disregard": ("disregard [that]", "disregard my last"),
    "stand-by": ("stand by",),
    "over": ("over", "out"),
    "this-is": ("this is", "here is"),
}

KOREAN: Mapping[str, tuple[str, ...]] = {
    "acknowledge": ("수신 [완료]", "확인 [했습니다]", "알 겠습니다"),
    "affirm": ("맞 습니다", "네"),
    "negative": ("아닙니다", "아니요"),
    "say-again": ("다시 말해 주세요", "재송신 [바람]"),
    "i-say-again": ("다시 말 합니다",),
    "correction": ("정정 [합니다]",),
    "confirm": (),
    "disregard": ("취소 [합니다]",),
    "stand-by": ("[잠시] 대기",),
    "over": ("이상",),
    "this-is": ("여기 는",),
}
"""One word is one morpheme, as published models know them: "알 겠습니다". Common practice, no source."""

LANGUAGES: Mapping[str, Mapping[str, tuple[str, ...]]] = {"en": ENGLISH, "ko": KOREAN}
