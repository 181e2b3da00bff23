"""One channel of sound, cut into stretches of speech that are heard one after the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from grammar.case.facts import Gap
from listener.audio.samples import Samples
from listener.audio.voice_activity import Segmenter, SpeechBegan, SpeechEnded, SpeechWent
from listener.recognition.recogniser import HearingFailed
from listener.speech import Speech

SpeechEvents = Sequence[SpeechBegan | SpeechWent | SpeechEnded]


class Channel:
    """Finds speech in one channel's sound and has it heard."""

    def __init__(
        self,
        number: int,
        begins_s: float,
        *,
        begin_speech: Callable[[int, float], Speech],
        speaking: Callable[[int, str], None],
        missed: Callable[[Gap], object],
        heard_s: Callable[[], float],
    ) -> None:
        """`number` counts from 1; `begins_s` is where on the case's clock its sound begins, seconds.

        `begin_speech` makes what hears the speech of a channel that began at a moment of that clock;
        `speaking` is told the words so far, and "" at the end; `missed` is told the gap where speech could
        not be heard; `heard_s` says how far sound has been heard, seconds.
        """
        self.origin_s = begins_s
        """Where on the case's clock the sound began that `push` is given, seconds."""
        self.speech: Speech | None = None
        """The speech that goes on now; None where nobody speaks."""
        self._number = number
        self._segmenter = Segmenter()
        self._begin_speech = begin_speech
        self._speaking = speaking
        self._missed = missed
        self._heard_s = heard_s

    def push(self, samples: Samples) -> SpeechEvents:
        """Take the sound that comes next, hear the speech in it, and return where speech began, went on and
        ended."""
        events = self._segmenter.push(samples)
        self._follow(events)
        return events

    def pause(self) -> None:
        """Hear speech to its end where the voice pauses just now."""
        here = self.speech
        if here and not self._heard(here, lambda: here.paused(self._segmenter.pause_s)):
            # The rest of the segment is heard all the same.
            self.speech = self._begin_speech(self._number, self._heard_s())

    def end(self) -> None:
        """Hear out the speech that goes on: no more sound comes, or none that follows on this."""
        self._follow(self._segmenter.flush())

    def jump(self, t: float) -> None:
        """Hear out what is spoken; sound goes on at `t` seconds, and nothing fills the time in between."""
        self.end()
        self._segmenter = Segmenter()
        self.origin_s = t

    def _follow(self, events: SpeechEvents) -> None:
        for event in events:
            match event:
                case SpeechBegan(t, samples):
                    self.speech = self._begin_speech(self._number, self.origin_s + t)
                    self._feed(samples)
                case SpeechWent(samples):
                    self._feed(samples)
                case SpeechEnded():
                    here, self.speech = self.speech, None
                    if here:
                        self._speaking(self._number, "")
                        self._heard(here, here.ended)

    def _feed(self, samples: Samples) -> None:
        if self.speech:
            self.speech.accept(samples)
            words = self.speech.partial()
            if words:
                self._speaking(self._number, words)

    def _heard(self, here: Speech, hear: Callable[[], None]) -> bool:
        """Return whether it could be heard; else that becomes a gap."""
        try:
            hear()
        except HearingFailed as failed:
            until = max(here.began, self._heard_s())
            self._missed(Gap(t=here.began, until=until, reason=str(failed)))
            return False
        return True
