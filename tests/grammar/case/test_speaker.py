"""Who spoke, from voice, channel and words: the likelier the surer, and nobody where that is not known."""

from __future__ import annotations

import pytest

from grammar.case.facts import CaseStarted, Heard, SpeakerSet, VoiceMatched
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol

PROTOCOL = load_protocol("isolation-airway")
STATIONS = [one.id for one in PROTOCOL.station]


def spoken(text: str, *facts: VoiceMatched | SpeakerSet) -> Utterance:
    case = Case(PROTOCOL)
    case.add(CaseStarted(seq=1, protocol="isolation-airway"))
    words = tuple(Word(word, 1.0, 2.0, 1.0) for word in text.split())
    case.add(Heard(seq=2, t=1.0, until=2.0, words=words, confidence=1.0))
    for fact in facts:
        case.add(fact)
    found = case.state.log[-1].utterance
    assert found is not None
    return found


def matched(**shares: float) -> VoiceMatched:
    by_station = tuple((name.replace("_", "-"), share) for name, share in shares.items())
    return VoiceMatched(seq=3, t=2.1, target=2, shares=by_station)


def test_without_a_voice_the_words_alone_say_who_speaks() -> None:
    said = spoken("outside this is anteroom radio check")
    assert (said.sender, said.speaker.reasons) == ("anteroom", ("says so",))
    assert spoken("radio check").sender is None


@pytest.mark.parametrize(
    ("share", "sender", "perhaps"),
    [(0.97, 0, None), (0.7, None, 0), (0.5, None, None), (0.15, None, None)],
)
def test_a_voice_names_its_station_only_where_it_is_likely(
    share: float, sender: int | None, perhaps: int | None
) -> None:
    shares = {STATIONS[0].replace("-", "_"): share, STATIONS[1].replace("-", "_"): 0.01}
    said = spoken("radio check", matched(**shares))
    assert said.sender == (None if sender is None else STATIONS[sender])
    assert said.speaker.perhaps == (None if perhaps is None else STATIONS[perhaps])
    told = "known" if sender is not None else "doubtful"
    assert said.speaker.told == told


def test_a_voice_that_is_nobody_s_is_a_stranger_s_and_never_a_member_s() -> None:
    everybody = {name.replace("-", "_"): 0.01 for name in STATIONS}
    said = spoken("radio check", matched(**everybody))
    assert (said.sender, said.speaker.perhaps, said.speaker.told) == (None, None, "stranger")


def test_where_no_voice_was_compared_nothing_is_doubted() -> None:
    assert spoken("radio check").speaker.told == "not known"


def test_words_and_voice_that_contradict_each_other_leave_it_open() -> None:
    others = [name for name in STATIONS if name != "anteroom"]
    shares = {others[0].replace("-", "_"): 0.97, "anteroom": 0.01}
    said = spoken("outside this is anteroom radio check", matched(**shares))
    assert said.sender is None


def test_a_person_has_the_last_word() -> None:
    said = spoken(
        "radio check",
        matched(**{STATIONS[0].replace("-", "_"): 0.97}),
        SpeakerSet(seq=4, t=3.0, target=2, station=STATIONS[1]),
    )
    assert (said.sender, said.speaker.reasons) == (STATIONS[1], ("set by hand",))
