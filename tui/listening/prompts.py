"""Prompts for a leader whose hands are not free: what wants attention, once, in a pause of the talk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Final

import numpy as np

from grammar.case.view import View
from grammar.errors import UserError
from grammar.protocol.model import Protocol
from listener.audio.tones import RATE, Floats, Kind, spoken, tone
from listener.live import Live
from tui.text.wording import call_aloud, duration

LOOK_S: Final = 0.1
PAUSE_S: Final = 0.4
"""So long nobody has spoken when a prompt begins, past what ends a stretch of speech."""
AFTER_S: Final = 0.5
"""Of the room and the sound card, after our sound has ended."""

NEWS: dict[Kind, str] = {
    "timer-done": "timer done",
    "nobody-answered": "nobody answered",
    "read-back-differs": "read-back differs",
}


@dataclass(frozen=True, slots=True)
class Prompt:
    """A sentence or sound that is due. `key` names the one event, so that it is told once."""

    kind: Kind
    key: tuple[object, ...]
    text: str
    """The words that are said; never a dose or a number."""


def due(protocol: Protocol, view: View) -> tuple[Prompt, ...]:
    """Return everything that wants attention at the view's moment, the most urgent first."""
    found = []
    key: tuple[object, ...]
    for loop, state in view.loops:
        if state == "differs":
            key = ("read-back-differs", loop.id, loop.differing_fact)
            found.append(Prompt("read-back-differs", key, call_aloud(protocol, loop, state)))
    for loop, state in view.loops:
        if state == "unanswered":
            # Asked for again and unanswered again is told again.
            key = ("nobody-answered", loop.id, loop.asked)
            text = call_aloud(protocol, loop, state)
            found.append(Prompt("nobody-answered", key, text))
    found += [
        Prompt("timer-done", ("timer-done", timer.id), f"Timer done: {duration(timer.duration_s)}")
        for timer, state in view.timers
        if state == "done"
    ]
    return tuple(found)


Play = Callable[[Floats, Callable[[], bool]], None]
"""Plays a sound aloud, and stops when asked whether to go on says no."""


class Prompter:
    """Tells the leader what is due, one thing at a time, each once."""

    def __init__(
        self,
        protocol: Protocol,
        view: Callable[[], View],
        live: Live,
        *,
        sounds: bool,
        speak: bool,
        through_air: bool,
        play: Play,
    ) -> None:
        """`through_air`: the microphone hears what we play."""
        self._protocol, self._view, self._live = protocol, view, live
        self._sounds, self._speak, self._through_air = sounds, speak, through_air
        self._play = play
        self._told: set[tuple[object, ...]] = set()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="prompting", daemon=True)

    @property
    def speaks(self) -> bool:
        """Return whether prompts are spoken too."""
        return self._speak

    def start(self) -> None:
        """Begin. Prompts that are due already (in a case that was resumed) are not told."""
        self._told = {prompt.key for prompt in due(self._protocol, self._view())}
        self._thread.start()

    def stop(self) -> None:
        """Be silent at once."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join(timeout=3)

    def look(self) -> Prompt | None:
        """Tell the most urgent of what is due and not told yet, if there is a pause; what was told."""
        new = [p for p in due(self._protocol, self._view()) if p.key not in self._told]
        if not new or not self._pause():
            return None
        self._told.add(new[0].key)
        self._tell(new[0])
        return new[0]

    def say(self, sentence: str) -> None:
        """Say a sentence aloud at once. Raises UserError where nothing can be played."""
        with self._aside("we said aloud what a person asked for"):
            self._live.playback_suppression.watch(False)
            self._play(spoken(sentence), self._go_on)

    def _run(self) -> None:
        while not self._stopped.wait(LOOK_S):
            try:
                self.look()
            except UserError as error:
                self._live.warn("prompt", f"prompts cannot be played: {error}")
                return

    def _pause(self) -> bool:
        return self._live.quiet_s >= PAUSE_S

    def _tell(self, prompt: Prompt) -> None:
        with self._aside(f"we told aloud: {NEWS[prompt.kind]}"):
            self._aloud(prompt)

    def _aside(self, what: str) -> AbstractContextManager[None]:
        """Keep what we play from being heard as speech, where the microphone hears it."""
        return self._live.playing_aloud(AFTER_S, what) if self._through_air else nullcontext()

    def _aloud(self, prompt: Prompt) -> None:
        muting = self._live.playback_suppression
        if self._sounds:
            muting.watch(True)
            self._play(tone(prompt.kind), self._go_on)
        if self._speak and self._go_on():
            # A voice beside a voice cannot be told from one microphone: the words are few.
            muting.watch(False)
            self._play(spoken(prompt.text), self._go_on)

    def _go_on(self) -> bool:
        return not (self._stopped.is_set() or self._live.playback_suppression.interrupted.is_set())


def loudspeaker(*, speak: bool) -> Play:
    """Return a function that plays sound through PortAudio.

    Raises UserError where PortAudio, a loudspeaker, or (with `speak`) the voice is missing.
    """
    if speak:
        spoken("ready")  # found missing now, not when a call goes unanswered
    from listener.audio.microphone import portaudio  # noqa: PLC0415

    audio = portaudio("Playing sound")
    try:
        device = audio.query_devices(None, "output")
    except (audio.PortAudioError, ValueError):
        raise UserError("this machine has no loudspeaker to play on") from None
    rate = round(float(device["default_samplerate"]))

    def play(sound: Floats, go_on: Callable[[], bool]) -> None:
        import soxr  # noqa: PLC0415

        samples = soxr.resample(sound, RATE, rate) if rate != RATE else sound
        piece = rate // 20
        try:
            with audio.OutputStream(rate, 0, None, 1, "float32", latency="low") as stream:
                for start in range(0, len(samples), piece):
                    if not go_on():
                        stream.abort()
                        return
                    stream.write(np.ascontiguousarray(samples[start : start + piece]))
        except audio.PortAudioError as error:
            raise UserError(f"nothing can be played: {error}") from None

    return play
