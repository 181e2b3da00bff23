"""Tells what both ears made of an utterance as strictly as the team's bounds of doubt want it."""

from __future__ import annotations

from dataclasses import replace

from grammar.case.facts import Heard, SecondHearing, Warned
from listener.confidence.judging_two_ears import ALONE, ONE_EAR
from listener.recognition.calibration import STRICTER, less_sure


def for_team(
    fact: Heard | SecondHearing | Warned, stricter: float
) -> Heard | SecondHearing | Warned:
    """Return a fact of the sure ear with log-odds `stricter` taken off its confidence. A call that the
    sure ear heard alone is then marked below the bound that holds for it, as ever."""
    if not stricter or not isinstance(fact, SecondHearing) or fact.verdict == "rejects":
        return fact
    told = replace(
        fact,
        confidence=None if fact.confidence is None else less_sure(fact.confidence, stricter),
        evidence=(*fact.evidence, (STRICTER, stricter)),
    )
    alone = told.verdict == "rescues" and (told.confidence or 0.0) < ALONE
    return replace(told, doubts=(ONE_EAR,)) if alone and not told.doubts else told
