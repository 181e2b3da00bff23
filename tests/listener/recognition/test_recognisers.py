"""Both engines hear calls, leave chatter alone and say what they lack."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from grammar.errors import UserError
from grammar.language.parse import Understanding
from grammar.language.phrases import UNKNOWN, network
from grammar.language.word_network import Network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.audio.dither import Dither
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.recognition.engines import choose
from listener.recognition.n_best import Alternative, with_confidence
from listener.recognition.recogniser import Recogniser
from tests.support.needs import reason
from tests.support.speech import (
    PROMPTS,
    SPHINX,
    espeak,
    flite,
    in_noise,
    prompt,
    transcripts,
    with_silence,
)

CALLS = (
    "outside give ninety milligrams of ketamine over",
    "room ready",
    "start the timer three minutes",
    "saturation ninety four",
    "pressure one thirty over eighty",
    "tube size seven point five",
    "heart rate one twenty",
)
CHATTER = (
    "the weather is lovely today and we will go to the beach",
    "have you seen the new film about penguins",
)


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


@pytest.fixture(scope="module", params=["vosk", "pocketsphinx"])
def engine(request: pytest.FixtureRequest, protocol: Protocol) -> Recogniser:
    return choose(request.param, network(protocol), protocol.pronunciations)


@pytest.fixture(scope="module")
def vosk(protocol: Protocol) -> Recogniser:
    return choose("vosk", network(protocol), protocol.pronunciations)


def hear(engine: Recogniser, samples: Samples, piece: int = 1600) -> tuple[Word, ...]:
    hearing = engine.open()
    for at in range(0, len(samples), piece):
        hearing.accept(samples[at : at + piece])
    return hearing.finish()


def text(words: tuple[Word, ...]) -> str:
    return " ".join(word.text for word in words)


@pytest.mark.parametrize("call", CALLS)
def test_vosk_hears_each_call(vosk: Recogniser, call: str) -> None:
    assert text(hear(vosk, espeak(call))) == call


def test_pocketsphinx_hears_most_calls(protocol: Protocol) -> None:
    engine = choose("pocketsphinx", network(protocol), protocol.pronunciations)
    heard = [text(hear(engine, flite(call))) for call in CALLS]
    assert sum(a == b for a, b in zip(heard, CALLS, strict=True)) >= 4, heard


@pytest.mark.parametrize("said", CHATTER)
def test_chatter_is_no_call(engine: Recogniser, said: str) -> None:
    assert {word.text for word in hear(engine, espeak(said))} <= {UNKNOWN}


def test_silence_is_no_word(engine: Recogniser) -> None:
    assert hear(engine, np.zeros(SAMPLE_RATE, np.int16)) == ()


def test_a_segment_without_a_sample_is_no_word(engine: Recogniser) -> None:
    assert engine.open().finish() == ()


def test_words_come_while_someone_is_still_speaking(engine: Recogniser) -> None:
    sound = espeak("pressure one thirty over eighty")
    hearing = engine.open()
    partials = []
    for at in range(0, len(sound), 1600):
        hearing.accept(sound[at : at + 1600])
        partials.append(hearing.partial())
    hearing.finish()
    assert partials[0] == ""
    assert any("pressure" in partial and "eighty" not in partial for partial in partials)


def test_words_have_times_and_confidence(engine: Recogniser) -> None:
    """Times are those of the sound, whose own level tells where a call begins."""
    first, second = flite("room ready"), flite("start the timer three minutes")
    pause = np.zeros(SAMPLE_RATE, np.int16)
    words = hear(engine, np.concatenate([first, pause, second]))
    assert text(words) == "room ready start the timer three minutes"
    times = [time for word in words for time in (word.start, word.end)]
    assert times == sorted(times)
    assert all(0.0 <= word.confidence <= 1.0 for word in words)
    assert words[0].start == pytest.approx(onset_s(first), abs=0.15)
    begins = (len(first) + len(pause)) / SAMPLE_RATE + onset_s(second)
    assert words[2].start == pytest.approx(begins, abs=0.15)


def onset_s(sound: Samples) -> float:
    """When the sound first reaches a twentieth of its peak, seconds."""
    return float(np.argmax(np.abs(sound) > np.abs(sound).max() / 20)) / SAMPLE_RATE


def test_two_segments_at_once_do_not_mix(engine: Recogniser) -> None:
    sounds = [espeak("heart rate one twenty"), espeak("room ready")]
    hearings = [engine.open() for _ in sounds]
    for at in range(0, max(map(len, sounds)), 1600):
        for hearing, sound in zip(hearings, sounds, strict=True):
            hearing.accept(sound[at : at + 1600])
    alone = [text(hear(engine, sound)) for sound in sounds]
    assert [text(hearing.finish()) for hearing in hearings] == alone


def test_what_was_heard_before_changes_nothing(engine: Recogniser) -> None:
    sound = espeak("saturation ninety four")
    before = hear(engine, sound)
    hear(engine, in_noise(espeak("we talk of other things"), 5.0))
    assert text(hear(engine, sound)) == text(before)


def test_twenty_seconds_of_talk_at_once_are_survived(engine: Recogniser) -> None:
    talk = np.tile(espeak(CHATTER[0]), 8)[: 20 * SAMPLE_RATE]
    hear(engine, talk, piece=len(talk))
    assert hear(engine, np.zeros(SAMPLE_RATE, np.int16)) == (), (
        "it hears on, and nothing is left over"
    )


def test_calls_are_heard_in_noise(vosk: Recogniser) -> None:
    """Pink noise, speech 15 dB above it."""
    heard = [text(hear(vosk, in_noise(espeak(call), 15.0))) for call in CALLS]
    assert sum(a == b for a, b in zip(heard, CALLS, strict=True)) >= len(CALLS) - 1, heard


def test_an_unknown_engine_is_said() -> None:
    one = Network(arcs=((("ready", 1),), ()), finals=frozenset([1]))
    with pytest.raises(UserError, match="no recogniser “whisper”"):
        choose("whisper", one, {})


def test_a_folder_that_is_no_model_is_said(tmp_path: Path) -> None:
    one = Network(arcs=((("ready", 1),), ()), finals=frozenset([1]))
    with pytest.raises(UserError, match="is no vosk model"):
        choose("vosk", one, {}, model_dir=tmp_path)
    with pytest.raises(UserError, match="There is no model folder"):
        choose("vosk", one, {}, model_dir=tmp_path / "none")


def test_a_word_that_cannot_be_pronounced_is_named() -> None:
    one = Network(arcs=((("zqxy", 1),), ()), finals=frozenset([1]))
    for name in ("vosk", "pocketsphinx"):
        with pytest.raises(UserError, match="zqxy"):
            choose(name, one, {})


def test_dither_is_faint_and_the_same_each_time() -> None:
    dither = Dither()
    zeros = np.zeros(100_000, np.int16)
    first = dither.fresh().add(zeros)
    np.testing.assert_array_equal(first, dither.fresh().add(zeros))
    assert 0.5 < first.std() < 1.5
    assert dither.fresh().add(np.full(100, 32767, np.int16)).max() == 32767


def test_a_word_that_the_alternatives_share_is_sure() -> None:
    """Belief is the softmax of the scores: 1 / (1 + e^-1) is 0.731."""
    common = Word("give", 0.0, 0.3)
    found = with_confidence(
        [
            Alternative((common, Word("fifty", 0.3, 0.8)), 10.0),
            Alternative((common, Word("fifteen", 0.3, 0.8)), 9.0),
        ]
    )
    assert [word.text for word in found] == ["give", "fifty"]
    assert [word.confidence for word in found] == pytest.approx([1.0, 0.731], abs=0.001)


@pytest.mark.slow
def test_few_prompts_of_a_telephone_exchange_become_calls(vosk: Recogniser) -> None:
    """Recorded speech that has nothing to do with the protocol, apart from numbers in it."""
    names = sorted(path.stem for path in PROMPTS.glob("*.g722"))[::8]
    if not names:
        pytest.skip(reason("Debian's asterisk-core-sounds-en-g722"))
    said = transcripts()
    heard = {
        name: text(hear(vosk, with_silence(prompt(name)[: 10 * SAMPLE_RATE])))
        for name in names
        if said.get(name, "")[:1].isalpha()
    }
    reader = Understanding(load_protocol("isolation-airway"))
    # A number or a "no" alone, which some prompts do say, answers nothing and becomes no call.
    false = {
        name: words
        for name, words in heard.items()
        if reader.read(words.split()).kind in ("call", "item")
    }
    print(f"{len(false)} of {len(heard)} prompts became calls: {false}")
    assert len(false) <= 0.03 * len(heard)


def test_someone_reading_a_novel_makes_no_call(engine: Recogniser) -> None:
    """LibriVox recordings in pocketsphinx-testdata."""
    import soundfile

    paths = sorted((SPHINX / "librivox").glob("*.wav"))
    if not paths:
        pytest.skip(reason("Debian's pocketsphinx-testdata"))
    calls = []
    for path in paths:
        samples, rate = soundfile.read(path, dtype="int16")
        assert rate == SAMPLE_RATE
        words = hear(engine, samples[: 10 * SAMPLE_RATE])
        calls += [word.text for word in words if word.text != UNKNOWN]
    assert calls == []
