"""Says of each utterance of a case, as a fact of its own, how likely each member of the team spoke it.

It keeps the last seconds of sound, takes the utterance's part of them once its fact is stored, and
compares in a thread of its own: no utterance waits for it. Whom a person names as a speaker is known
better from then on, and a member who agrees in the middle of a case is known from what they say, once
that is enough.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from grammar.case.facts import Fact, Heard, HeardOut, SpeakerSet, VoiceAgreed, VoiceMatched
from grammar.case.view import Utterance
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.confidence.background import Background
from listener.team.member import Member
from listener.team.speaker_encoder import SpeakerEncoder
from listener.team.speaker_encoder.encoder import Voiceprint
from listener.team.voice_frames import Floats
from listener.team.voice_space import LEAST_S, VoiceSpace, shipped_space

KEPT_S: Final = 90.0
"""Seconds of sound kept to cut utterances out of."""
AROUND_S: Final = 0.15
"""Sound before and after its words that belongs to an utterance."""
ENOUGH: Final = 4
"""Utterances of a second or more after which a member who agreed during the case is known."""
LONG_S: Final = 1.0
REMEMBERED: Final = 64
"""Utterances whose print is kept, since a person may still say who spoke them."""

Tell = Callable[[Fact], Utterance | None]


class SpeakerAttribution:
    """Tells who of the team spoke each utterance, as a fact of its own. The thread that hears gives it
    sound and facts.
    """

    def __init__(self, members: Sequence[Member], tell: Tell, channels: int, *, live: bool) -> None:
        """`tell` stores a fact. `live`: the sound happens now, and nobody may be kept waiting."""
        self._prints: dict[str, list[list[Voiceprint]]] = {}
        for member in members:
            self._prints.setdefault(member.station, []).append([*member.prints])
        self._joining: dict[str, list[Voiceprint]] = {}
        self._tell = tell
        self._sound: list[deque[tuple[float, Samples]]] = [deque() for _ in range(channels)]
        self._channels: dict[int, int] = {}
        """The channel of each utterance, by fact, newest last."""
        self._recent: dict[int, Voiceprint] = {}
        """By fact, newest last."""
        self._encoder: SpeakerEncoder | None = None
        self._space: VoiceSpace | None = None
        self._places: tuple[list[str], Floats] | None = None
        """The station of each member, and where they lie; None where that has to be worked out anew."""
        self._background = Background("voices") if live else None

    @property
    def stations(self) -> tuple[str, ...]:
        """The stations with a member who is known."""
        return tuple(self._prints)

    def know(self, member: Member) -> None:
        """Know a member whose card was read in the middle of the case, from now on."""

        def known() -> None:
            self._prints.setdefault(member.station, []).append([*member.prints])
            self._places = None

        self._do(known)

    def take(self, channel: int, t: float, samples: Samples) -> None:
        """Keep sound of a channel, from 0, that begins at `t` seconds on the case's clock."""
        if not self._prints and not self._joining:
            return
        kept = self._sound[channel]
        kept.append((t, samples))
        while kept[0][0] < t - KEPT_S:
            kept.popleft()

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        """Take note of a fact that is stored, and of the utterance that it became."""
        match fact:
            case VoiceAgreed(scope="from-here"):
                self._joining.setdefault(fact.station, [])
            case Heard():
                self._channels[fact.seq] = fact.channel
                _bounded(self._channels)
                self._ask(fact.seq, fact, utterance)
            case HeardOut():
                self._ask(fact.target, fact, utterance)
            case SpeakerSet():
                self._do(lambda: self._learn(fact.target, fact.station))
            case _:
                pass

    def finish(self) -> None:
        """Wait until every utterance is compared. Nothing may be told after."""
        if self._background:
            self._background.finish()

    def _do(self, job: Callable[[], None]) -> None:
        if self._background:
            self._background.add(job)
        else:
            job()

    def _ask(self, seq: int, heard: Heard | HeardOut, utterance: Utterance | None) -> None:
        if heard.until - heard.t < LEAST_S or not (self._prints or self._joining):
            return
        # Cut now: the sound is dropped after a while, however long the thread takes.
        sound = self._cut(self._channels.get(seq, 0), heard.t, heard.until)
        if sound is not None:
            self._do(lambda: self._compare(seq, heard, sound, utterance))

    def _cut(self, number: int, t: float, until: float) -> Samples | None:
        """Return the sound of an utterance on a channel, from 1; None where it is not kept."""
        if not 1 <= number <= len(self._sound):
            return None
        parts = []
        for begins, samples in self._sound[number - 1]:
            first = round((t - AROUND_S - begins) * SAMPLE_RATE)
            last = round((until + AROUND_S - begins) * SAMPLE_RATE)
            if last > 0 and first < len(samples):
                parts.append(samples[max(first, 0) : last])
        return np.concatenate(parts) if parts else None

    def _compare(
        self, seq: int, heard: Heard | HeardOut, sound: Samples, utterance: Utterance | None
    ) -> None:
        if self._encoder is None:
            self._encoder = SpeakerEncoder()
        made = self._encoder.print_of(sound)
        if made is None:
            return
        self._recent[seq] = made
        _bounded(self._recent)
        seconds = heard.until - heard.t
        named = utterance.sender if utterance else None
        if named in self._joining and seconds >= LONG_S:
            self._learn(seq, named)
        if not self._prints:
            return
        stations, places = self._members()
        shares = dict.fromkeys(self._prints, 0.0)
        space = self._shipped()
        for station, share in zip(stations, space.shares(made, places, seconds), strict=True):
            shares[station] += float(share)
        rounded = tuple((name, round(share, 4)) for name, share in shares.items())
        self._tell(VoiceMatched(t=heard.until, target=seq, shares=rounded))

    def _learn(self, seq: int, station: str) -> None:
        """An utterance was spoken by this station: its voice is known better, if it agreed to be known."""
        made = self._recent.get(seq)
        if made is None:
            return
        if station in self._prints:
            own = self._prints[station]
            space, place = self._shipped(), self._shipped().place(made[np.newaxis])[0]
            nearest = max(own, key=lambda prints: float(space.member(prints) @ place))
            nearest.append(made)
            self._places = None
        elif station in self._joining:
            prints = self._joining[station]
            prints.append(made)
            if len(prints) >= ENOUGH:
                self._prints[station] = [self._joining.pop(station)]
                self._places = None

    def _members(self) -> tuple[list[str], Floats]:
        if self._places is None:
            stations = [station for station, each in self._prints.items() for _ in each]
            members = [prints for each in self._prints.values() for prints in each]
            space = self._shipped()
            self._places = stations, np.stack([space.member(prints) for prints in members])
        return self._places

    def _shipped(self) -> VoiceSpace:
        if self._space is None:
            self._space = shipped_space()
        return self._space


def _bounded(newest_last: dict[int, Any]) -> None:
    while len(newest_last) > REMEMBERED:
        del newest_last[next(iter(newest_last))]
