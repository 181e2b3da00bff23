"""The case that is exported in tests: one of everything that a record must tell."""

from __future__ import annotations

from datetime import UTC, datetime

from grammar.case.facts import (
    Amended,
    CaseEnded,
    CaseStarted,
    Entered,
    Fact,
    Heard,
    Noted,
    Withdrawn,
)
from grammar.language.words import Word

BEGAN = datetime(2026, 1, 2, 10, 0, tzinfo=UTC)


def said(t: float, words: str, confidence: float = 1.0) -> Heard:
    each = tuple(Word(word, t, t + 2, confidence) for word in words.split())
    return Heard(t=t, until=t + 2, words=each)


INVENTED: tuple[Fact, ...] = (
    CaseStarted(protocol="isolation-airway", wall=BEGAN.isoformat(), weight_kg=70, engine="vosk"),
    said(1, "drugs nurse this is team leader give seventy milligrams of ketamine"),  # 2
    said(6, "seventeen milligrams of ketamine"),  # 3, amended below
    said(12, "ketamine in"),
    said(20, "sats ninety four", confidence=0.2),  # 5, unsure
    said(24, "sats ninety three"),
    said(28, "pressure one thirty over eighty"),
    said(32, "room ready"),  # 8, withdrawn below
    said(36, "[unk]"),  # 9
    Entered(t=40, call="start-timer", slots=(("duration_s", 60.0),), sender="team-leader"),
    Noted(t=42, text='=HYPERLINK("x") | <b>--> & \x1b[31m red', mark=True),
    said(50, "starting attempt"),
    said(53, "copy"),
    said(70, "tube passed"),
    Amended(t=80, target=3, words="seventy milligrams of ketamine"),
    Withdrawn(t=81, target=8),
    CaseEnded(t=90),
)
