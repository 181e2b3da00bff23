"""Plays stored sound aloud, and keeps its clock: the sound heard now says where a replay stands.

Where nothing can be heard (muted, no loudspeaker) a steady clock takes its place. At another speed than
its own the sound is stretched in time and keeps its pitch.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from grammar.errors import UserError
from listener.audio.microphone import in_one_line, portaudio
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.audio.voice_activity import level_dbfs

SPEEDS: Final = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)

_PIECE_S: Final = 0.02
"""Seconds of sound that the loudspeaker asks for at a time."""
_READ_S: Final = 0.5
"""Seconds of the loudspeaker that are made ready at a time."""
_AHEAD: Final = 50
"""Pieces made ready ahead: one second, for a busy moment."""
_LOST_S: Final = 2.0
"""A loudspeaker that asks for nothing for so long is gone."""

Floats = npt.NDArray[np.float32]


class Player:
    """A place in a case that moves while it plays. Without sound: on a steady clock.

    Times are seconds on the case's clock, from 0 to `end`. To be used from one thread.
    """

    audible = False
    trouble = ""
    """A clause on why it goes on without its sound; "" where it has sound."""

    def __init__(
        self, end: float, at: float = 0.0, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.end = end
        self.speed = 1.0
        self._clock = clock
        self._held = min(max(at, 0.0), end)
        self._since: float | None = None
        """The steady clock when playing began from `_held`; None while paused."""

    @property
    def playing(self) -> bool:
        """Return whether it moves; at the end it stops by itself."""
        if self._since is not None and self.position >= self.end:
            self.pause()
        return self._since is not None

    @property
    def position(self) -> float:
        """The moment of the case that is heard now, seconds."""
        if self._since is None:
            return self._held
        return min(self._held + (self._clock() - self._since) * self.speed, self.end)

    @property
    def level_dbfs(self) -> float | None:
        """Return the level of the sound heard now, dB relative to full scale; None where nothing is
        heard."""
        return None

    def play(self) -> None:
        """Go on from here; from the beginning where the end has been reached."""
        if self._since is None:
            self._held = 0.0 if self._held >= self.end else self._held
            self._since = self._clock()

    def pause(self) -> None:
        """Stop playing, and stay at this position."""
        self._held, self._since = self.position, None

    def seek(self, at: float) -> None:
        """Go to another place, playing or not."""
        moving = self._since is not None
        self.pause()
        self._held = min(max(at, 0.0), self.end)
        if moving and self._held < self.end:
            self.play()

    def go_at(self, speed: float) -> None:
        """Change the speed, as a multiple of its own. Raises ValueError outside 0.5 to 8."""
        if not SPEEDS[0] <= speed <= SPEEDS[-1]:
            raise ValueError(f"a speed lies between {SPEEDS[0]} and {SPEEDS[-1]}")
        moving = self._since is not None
        self.pause()
        self.speed = speed
        if moving:
            self.play()

    def close(self) -> None:
        """Stop for good."""
        self.pause()


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Samples for the loudspeaker, mono, and where in the case they begin."""

    at: float
    samples: Floats


@dataclass(frozen=True, slots=True)
class _Heard:
    """From `dac_s` on PortAudio's clock the loudspeaker plays what stands at `at` in the case."""

    dac_s: float
    at: float
    level_dbfs: float


class Loudspeaker(Player):
    """A player that is heard. PortAudio says when each piece leaves the loudspeaker: that is its clock.

    Where the loudspeaker goes away it goes on in silence, by a steady clock, and says so.
    """

    audible = True

    def __init__(
        self, sound: Callable[[float, float], Samples], end: float, at: float = 0.0
    ) -> None:
        """`sound(start, end)` gives the samples, shape (n, channels), 16 kHz.

        Raises UserError where PortAudio or an output device is missing.
        """
        super().__init__(end, at)
        self._reached = self._held
        """The last place that was heard."""
        self._sound = sound
        self._lock = threading.Lock()
        self._heard: deque[_Heard] = deque()
        self._ready: queue.Queue[_Piece] = queue.Queue(_AHEAD)
        self._feeder: threading.Thread | None = None
        self._asked_s = self._clock()
        """When the loudspeaker last asked for a piece, on the steady clock."""
        self._portaudio = portaudio("A loudspeaker")
        try:
            self._rate = self._working_rate()
            self._frames = round(self._rate * _PIECE_S)
            self._stream = self._portaudio.OutputStream(
                channels=1,
                dtype="float32",
                samplerate=self._rate,
                blocksize=self._frames,
                callback=self._give,
            )
            self._stream.start()
        except (self._portaudio.PortAudioError, ValueError) as error:
            reason = in_one_line(error, "loudspeaker")
            raise UserError(f"no sound can be played: {reason}") from None

    def _working_rate(self) -> int:
        """Return 16 kHz where the device can, else its own rate."""
        own = round(float(self._portaudio.query_devices(None, "output")["default_samplerate"]))
        try:
            self._portaudio.check_output_settings(
                channels=1, dtype="float32", samplerate=SAMPLE_RATE
            )
        except self._portaudio.PortAudioError:
            return own
        return SAMPLE_RATE

    @property
    def position(self) -> float:
        self._look_whether_lost()
        if self._since is None or not self.audible:
            return super().position
        found = self._now_heard()
        if found is None:
            return self._held
        t, now = found
        self._reached = max(now.at, self._held)
        piece_s = _PIECE_S * self.speed
        gone: float = (t - now.dac_s) * self.speed
        # Where the next piece is late the loudspeaker is silent, and the place stays.
        return min(max(now.at + min(gone, piece_s), self._held), self.end)

    @property
    def level_dbfs(self) -> float | None:
        if self._since is None or not self.audible:
            return None
        found = self._now_heard()
        return found[1].level_dbfs if found else None

    def _look_whether_lost(self) -> None:
        """Go on by the steady clock, from the last moment heard, where the loudspeaker asks for
        nothing more."""
        if self._since is None or not self.audible:
            return
        waited = self._clock() - max(self._asked_s, self._since)
        if waited < _LOST_S:
            return
        self.audible = False
        self.trouble = "the loudspeaker is gone: silent"
        self._held = min(max(self._reached, self._held), self.end)
        self._since = self._clock() - waited
        self._end_feeding()

    def _now_heard(self) -> tuple[float, _Heard] | None:
        """Return PortAudio's clock and the piece heard at that time; None before the first."""
        try:
            t: float = self._stream.time
        except self._portaudio.PortAudioError:  # the device is going; soon it is known to be gone
            return None
        with self._lock:
            while len(self._heard) > 1 and self._heard[1].dac_s <= t:
                self._heard.popleft()
            return (t, self._heard[0]) if self._heard else None

    def play(self) -> None:
        if self._since is not None:
            return
        super().play()
        self._reached = self._held
        if not self.audible:
            return
        with self._lock:
            self._heard.clear()
            self._ready = queue.Queue(_AHEAD)
        self._feeder = threading.Thread(
            target=self._feed, args=(self._ready, self._held, self.speed), daemon=True
        )
        self._feeder.start()

    def pause(self) -> None:
        super().pause()
        self._end_feeding()

    def _end_feeding(self) -> None:
        with self._lock:
            # Its feeder sees that the queue is another, and ends.
            self._ready = queue.Queue(_AHEAD)
            self._heard.clear()

    def close(self) -> None:
        super().close()
        if self.audible:
            self._stream.close()
        else:  # closing a device that is gone may hang
            threading.Thread(target=self._stream.abort, daemon=True).start()

    def _feed(self, ready: queue.Queue[_Piece], start: float, speed: float) -> None:
        for index, samples in enumerate(self._pieces(start, speed)):
            piece = _Piece(start + index * _PIECE_S * speed, samples)
            while ready is self._ready:
                try:
                    ready.put(piece, timeout=0.1)
                    break
                except queue.Full:
                    continue
            if ready is not self._ready:
                return

    def _pieces(self, start: float, speed: float) -> Iterator[Floats]:
        """Yield the sound from `start` to the end, made ready for the loudspeaker, piece by piece."""
        stretch = stretcher(speed)
        resampler = (
            None
            if self._rate == SAMPLE_RATE
            else soxr.ResampleStream(SAMPLE_RATE, self._rate, 1, dtype="float32")
        )
        rest = np.zeros(0, np.float32)
        at = start
        while at < self.end:
            until = min(at + _READ_S * speed, self.end)
            try:
                samples = self._sound(at, until)
            except (OSError, soundfile.LibsndfileError):
                # What cannot be read is heard as what is not there: the replay goes on.
                samples = np.zeros((round((until - at) * SAMPLE_RATE), 1), np.int16)
            made = stretch(mono(samples))
            if resampler is not None:
                made = resampler.resample_chunk(made, last=until >= self.end)
            rest = np.concatenate([rest, made])
            while len(rest) >= self._frames:
                yield rest[: self._frames]
                rest = rest[self._frames :]
            at = until
        yield np.pad(rest, (0, self._frames - len(rest)))

    def _give(self, out: Floats, _frames: int, times: Any, _status: Any) -> None:
        """Called by PortAudio, in its own thread, for the next piece."""
        self._asked_s = self._clock()
        with self._lock:
            try:
                piece = self._ready.get_nowait()
            except queue.Empty:
                out.fill(0.0)
                return
            # Some drivers do not say when it will be heard.
            dac_s = times.outputBufferDacTime or self._stream.time + self._stream.latency
            level = level_dbfs((piece.samples * 32767).astype(np.int16))
            self._heard.append(_Heard(dac_s, piece.at, level))
        out[:, 0] = piece.samples


def mono(samples: Samples) -> Floats:
    """Return all channels added up, -1 to 1; louder sound is cut."""
    mixed: Floats = samples.sum(axis=1, dtype=np.float32) / 32768
    return np.clip(mixed, -1.0, 1.0)


def stretcher(speed: float) -> Callable[[Floats], Floats]:
    """Return a function that gives sound, chunk after chunk, its length at `speed`; the pitch stays."""
    if speed == 1.0:
        return lambda samples: samples
    from python_stretch import Signalsmith  # noqa: PLC0415  (only where it is wanted)

    made = Signalsmith.Stretch()
    made.preset(1, SAMPLE_RATE)
    made.setTimeFactor(speed)

    def stretched(samples: Floats) -> Floats:
        found: Floats = np.asarray(made.process(samples[np.newaxis]), np.float32)[0]
        return found

    return stretched


def player(
    sound: Callable[[float, float], Samples], end: float, at: float, *, mute: bool
) -> tuple[Player, str]:
    """Return a player, heard where that is possible, and in words why it is not."""
    if mute:
        return Player(end, at), "muted"
    try:
        return Loudspeaker(sound, end, at), ""
    except UserError as error:
        return Player(end, at), str(error)
