"""Both ears together are weighed by what was fitted in the language of the protocol."""

from __future__ import annotations

from typing import get_args

import pytest

from grammar.language.parse import Understanding
from grammar.protocol.loading import load_protocol
from grammar.protocol.tables import Head
from listener.confidence.judging_two_ears import QuickReading, judged
from listener.recognition.calibration import two_ears
from listener.recognition.grammar_beam import Sentence
from listener.recognition.sure_ear import SureHearing

LANGUAGES = get_args(Head.model_fields["language"].annotation)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_of_a_protocol_has_a_model_of_its_own(language: str) -> None:
    others = [two_ears(other) for other in LANGUAGES if other != language]
    own = two_ears(language)
    assert own not in others
    assert all(own.weights.keys() == other.weights.keys() for other in others)


def test_a_language_without_one_is_weighed_as_english() -> None:
    assert two_ears("xx") == two_ears("en")


def test_a_korean_call_that_both_ears_heard_alike_is_not_weighed_as_english() -> None:
    """Whisper is less sure of each token of a Korean sentence. The hearing is one of a synthetic voice in
    clean sound, as `python -m listener.training two-ears` noted it: "time is up, confirm"."""
    read = Understanding(load_protocol("isolation-airway-ko")).read
    said = ("시간", "완료", "확인")
    hearing = SureHearing(
        sentences=(
            Sentence(said, -12.79, 4),
            Sentence(("시간", "완료"), -15.19, 4),
            Sentence(("씨",), -12.58, 1),
        ),
        free="시킨 완디어 왁킹",
        free_nats=-12.97,
        free_tokens=10,
        length_s=2.8,
        no_speech=-1.80,
    )
    quick = QuickReading(said, 0.3118)
    as_english = judged(quick, hearing, read, two_ears("en"))
    found = judged(quick, hearing, read, two_ears("ko"))
    assert as_english is not None and as_english.doubts
    assert found is not None and found.verdict == "confirms" and found.words == said
    assert not found.doubts and found.confidence > as_english.confidence
