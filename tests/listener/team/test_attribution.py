"""Each utterance's voice is compared behind the case: corrections teach, and a member may join. Synthetic
voices."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from grammar.case.facts import CaseStarted, Fact, Heard, SpeakerSet, VoiceAgreed, VoiceMatched
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol
from listener.audio.samples import SAMPLE_RATE
from listener.team.member import Member
from listener.team.speaker_attribution import ENOUGH, SpeakerAttribution
from listener.team.speaker_encoder import SpeakerEncoder
from tests.support.places import SAMPLES
from tests.support.speech import stretches

STATIONS = ("team-leader", "drugs-nurse")


@pytest.fixture(scope="module")
def spoken() -> dict[str, list[np.ndarray[tuple[int], np.dtype[np.int16]]]]:
    return {name: stretches(SAMPLES / f"card-{name}.flac") for name in STATIONS}


@pytest.fixture(scope="module")
def members(spoken: dict[str, list[np.ndarray[tuple[int], np.dtype[np.int16]]]]) -> list[Member]:
    encoder = SpeakerEncoder()
    found = []
    for name, sounds in spoken.items():
        prints = [made for made in encoder.prints_of(sounds[:7]) if made is not None]
        found.append(Member(station=name, prints=tuple(prints), agreed=""))
    return found


class Room:
    """A case into which sentences are spoken, one after the other."""

    def __init__(self, members: list[Member], *, live: bool = False) -> None:
        self.case = Case(load_protocol("isolation-airway"))
        self.voices = SpeakerAttribution(members, self.tell, 1, live=live)
        self.t, self.seq = 0.0, 0
        self.threads: set[int] = set()
        self.tell(CaseStarted(seq=0, protocol="isolation-airway"))

    def tell(self, fact: Fact) -> Utterance | None:
        self.seq += 1
        if isinstance(fact, VoiceMatched):
            self.threads.add(threading.get_ident())
        kept = replace(fact, seq=self.seq)
        utterance = self.case.add(kept)
        self.voices.heard(kept, utterance)
        return utterance

    def say(self, sound: np.ndarray[tuple[int], np.dtype[np.int16]], words: str) -> int:
        """Speak a sentence; the number of its fact."""
        self.voices.take(0, self.t, sound)
        until = self.t + len(sound) / SAMPLE_RATE - 0.6
        heard = tuple(Word(word, self.t, until) for word in words.split())
        self.tell(Heard(t=self.t + 0.1, until=until, words=heard, confidence=1.0))
        self.t += len(sound) / SAMPLE_RATE
        return next(
            line.fact for line in reversed(self.case.state.log) if line.utterance is not None
        )

    def said(self) -> Iterator[Utterance]:
        return (line.utterance for line in self.case.state.log if line.utterance)


Spoken = dict[str, list[np.ndarray[tuple[int], np.dtype[np.int16]]]]


def test_each_voice_gets_its_station(spoken: Spoken, members: list[Member]) -> None:
    room = Room(members)
    for name in STATIONS:
        for sound in spoken[name][7:10]:
            room.say(sound, "radio check")
    assert [one.sender for one in room.said()] == [name for name in STATIONS for _ in range(3)]
    assert all(one.speaker.reasons[0].startswith("voice ") for one in room.said())


def test_a_live_case_does_not_wait_for_the_comparison(
    spoken: Spoken, members: list[Member]
) -> None:
    room = Room(members, live=True)
    room.say(spoken["team-leader"][8], "radio check")
    room.voices.finish()
    assert room.threads and threading.get_ident() not in room.threads
    assert next(room.said()).sender == "team-leader"


def test_whoever_agrees_during_the_case_is_known_from_what_they_say(
    spoken: Spoken, members: list[Member]
) -> None:
    room = Room([members[0]])
    nurse = spoken["drugs-nurse"]
    room.say(nurse[0], "radio check")
    assert next(room.said()).speaker.told in ("stranger", "doubtful")
    room.tell(VoiceAgreed(t=room.t, station="drugs-nurse", scope="from-here"))
    for sound in nurse[1 : ENOUGH + 1]:
        room.say(sound, "this is drugs nurse radio check")
    assert room.voices.stations == ("team-leader", "drugs-nurse")
    room.say(nurse[8], "radio check")
    assert [*room.said()][-1].sender == "drugs-nurse"


def test_a_correction_counts_as_a_further_sentence(spoken: Spoken, members: list[Member]) -> None:
    room = Room([members[1]])
    for sound in spoken["team-leader"][:3]:
        number = room.say(sound, "radio check")
        room.tell(SpeakerSet(t=room.t, target=number, station="drugs-nurse"))
    shares = [dict(fact.shares) for fact in room.case.facts if isinstance(fact, VoiceMatched)]
    assert shares[-1]["drugs-nurse"] > shares[0]["drugs-nurse"]


def test_without_a_team_nothing_is_compared_and_no_sound_is_kept(spoken: Spoken) -> None:
    room = Room([])
    room.say(spoken["team-leader"][0], "radio check")
    assert not any(isinstance(fact, VoiceMatched) for fact in room.case.facts)
    assert not any(room.voices._sound)
