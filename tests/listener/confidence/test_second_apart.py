"""The second listener may hang or die: what is heard is stored all the same, and it is said."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from functools import partial
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.case.facts import Heard, Warned
from grammar.language.parse import Understanding
from grammar.language.phrases import network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.audio.samples import SAMPLE_RATE
from listener.confidence.supervised_verifier import SupervisedVerifier, start_verifier
from listener.confidence.verifier import SphinxVerifier
from listener.recognition.engines import choose
from listener.recognition.worker_process import LIVES
from tests.support import failing_engines, streams
from tests.support.speech import flite

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
SAID = (Word("ketamine", 0.0, 0.5), Word("ninety", 0.5, 1.0))
SOUND = np.zeros(SAMPLE_RATE, np.int16)


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


@pytest.fixture
def failing(protocol: Protocol, tmp_path: Path) -> Iterator[object]:
    made: list[SupervisedVerifier] = []

    def make(how: str, times: int) -> SupervisedVerifier:
        (tmp_path / "left").write_text(str(times))
        doubter = partial(failing_engines.Doubter, how, tmp_path / "left")
        made.append(SupervisedVerifier(Understanding(protocol), doubter, patience_s=2.0))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.mark.parametrize("how", ["hangs", "dies", "raises"])
def test_where_it_fails_it_has_no_opinion_and_the_next_is_asked(failing, how: str) -> None:  # type: ignore[no-untyped-def]
    second = failing(how, 1)
    assert second.opinion(SOUND, SAID, ()) is None
    (news,) = second.news()
    assert "started again" in news
    assert second.opinion(SOUND, SAID, ()).words == "ketamine ninety"
    assert list(second.news()) == []


def test_after_the_last_life_it_is_gone_with_a_warning(failing) -> None:  # type: ignore[no-untyped-def]
    second = failing("dies", 99)
    assert second.wanted(SAID)
    assert [second.opinion(SOUND, SAID, ()) for _ in range(LIVES + 2)] == [None] * (LIVES + 2)
    news = list(second.news())
    assert len(news) == LIVES
    assert "once only from here on" in news[-1]
    assert not second.wanted(SAID)


def test_it_hears_apart_what_it_hears_in_this_process(protocol: Protocol) -> None:
    """An order of 90 in a voice from recordings, claimed to be 90 and to be 19."""
    here = SphinxVerifier(network(protocol), protocol.pronunciations, Understanding(protocol))
    engine = choose("vosk", network(protocol), protocol.pronunciations)
    apart = start_verifier(protocol, engine)
    assert apart
    sound = flite("ketamine ninety")
    middle, end = len(sound) / SAMPLE_RATE / 2, len(sound) / SAMPLE_RATE - 0.5
    for number in ("ninety", "nineteen"):
        words = [Word("ketamine", 0.25, middle), Word(number, middle, end)]
        found = apart.opinion(sound, words, ())
        assert found
        assert found == here.opinion(sound, words, ())
    apart.close()
    only = choose("pocketsphinx", network(protocol), protocol.pronunciations)
    assert start_verifier(protocol, only) is None, "an engine is no witness for itself"


@pytest.mark.slow
def test_killed_in_a_case_it_takes_no_utterance_with_it(protocol: Protocol, tmp_path: Path) -> None:
    engine = choose("vosk", network(protocol), protocol.pronunciations)
    second = start_verifier(protocol, engine)
    assert second
    assert second.process
    os.kill(second.process.pid, signal.SIGKILL)
    time.sleep(0.1)
    sound, _ = soundfile.read(QUICK, dtype="int16")
    facts = streams.heard_by(engine, sound, tmp_path, news=second.news, verifier=second)
    second.close()
    assert len([fact for fact in facts if isinstance(fact, Heard)]) > 5
    (warned,) = [fact for fact in facts if isinstance(fact, Warned) and fact.what == "engine"]
    assert "second listener died" in warned.text
