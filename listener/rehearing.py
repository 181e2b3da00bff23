"""Hears a stored case's sound again, by another engine, model or protocol, into a case of its own.

The same loop hears it as the first time (`live.py`), from the recording, on the case's own clock,
with the second listener's doubts. The original is only read; the new case of a locked one is locked
likewise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from grammar.case.facts import CaseStarted, Fact, Purged
from grammar.case.fold import Case
from grammar.case.view import Utterance
from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.protocol.loading import parse_protocol, shipped, source_text
from grammar.reports.agreement import Pair, align, utterances
from listener.audio.blocks import Block, reblocked
from listener.audio.samples import SAMPLE_RATE, Samples
from listener.confidence.supervised_sure_ear import start_sure_ear
from listener.confidence.verifier import second_listener
from listener.live import Live
from listener.recognition.engines import choose
from listener.storage.case_lock import hold_case
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.journal import PROTOCOL, Journal
from listener.storage.passphrase import is_locked
from listener.storage.seals import seal

PIECE_S = 10.0
"""Seconds of sound read at a time, so that hours cost no more memory."""


@dataclass(frozen=True, slots=True)
class Again:
    """Choices for hearing again. `protocol` None is the case's own."""

    recogniser: str
    model: Path | None
    protocol: str | None
    cases: Path | None
    """The folder for the new case; None is `heard-again` beside the original."""
    even_if_altered: bool = False
    """Hear a case that was altered too; the new one names that in its source."""

    def anywhere(self) -> Again:
        """Return the same choices by paths that hold in a process with another working folder."""
        own = self.protocol
        file = own is not None and own not in shipped() and Path(own).exists()
        return replace(
            self,
            model=self.model and self.model.resolve(),
            cases=self.cases and self.cases.resolve(),
            protocol=str(Path(own).resolve()) if own and file else own,
        )


@dataclass(frozen=True, slots=True)
class Reheard:
    """The outcome: `pairs` are the original as corrected, and the new hearing."""

    original: Path
    folder: Path
    """The new case."""
    engine_before: str
    engine: str
    protocol: str
    pairs: tuple[Pair, ...]


class CaseSound:
    """All sound of a case, every file of it, as one source on the case's clock."""

    rate = SAMPLE_RATE
    live = False

    def __init__(self, stored: StoredCase) -> None:
        """Raise UserError for a case without sound."""
        if not stored.sounds:
            purged = any(isinstance(fact, Purged) for fact in stored.facts)
            why = "was purged" if purged else "was not kept"
            raise UserError(f"{stored.folder}: its sound {why}, so it cannot be heard again")
        self.original = stored.folder.resolve().name
        altered = ", which was ALTERED after it was stored" if stored.integrity.altered else ""
        self.name = f"heard again: {self.original}{altered}"
        self._stored = stored
        self.channels = int(stored.sound(0.0, stored.end).shape[1])

    def blocks(self) -> Iterator[Block]:
        """Yield the sound from the case's beginning to its end, silence where there is none."""
        return reblocked(self._pieces())

    def _pieces(self) -> Iterator[Samples]:
        at = 0.0
        while at < self._stored.end:
            until = min(at + PIECE_S, self._stored.end)
            yield _wide(self._stored.sound(at, until), self.channels)
            at = until


def hear_again(
    folder: Path,
    again: Again,
    now: datetime,
    *,
    heard_s: Callable[[float, float], None] | None = None,
    passphrase: str | None = None,
) -> Reheard:
    """Hear a case again and return how the two hearings compare. `now` names the new case's folder.

    `heard_s` is told how many seconds of how many have been heard. `passphrase` opens a locked
    case, and locks the new one. Raises UserError for causes that a user can mend: no sound, no such
    engine or protocol, nowhere to write.
    """
    passphrase = passphrase if is_locked(folder) else None
    stored = open_case(folder, passphrase, even_if_altered=again.even_if_altered)
    source = CaseSound(stored)
    text, label = (
        source_text(again.protocol)
        if again.protocol
        else ((folder / PROTOCOL).read_text(encoding="utf-8"), str(folder / PROTOCOL))
    )
    protocol = parse_protocol(text, label)
    language = protocol.protocol.language
    recogniser = choose(
        again.recogniser,
        network(protocol),
        protocol.pronunciations,
        model_dir=again.model,
        language=language,
    )
    cases = again.cases or folder.resolve().parent / "heard-again"
    case = Case(protocol)
    start = _start(stored)
    sure = start_sure_ear(protocol)
    verifier = None if sure else second_listener(protocol, recogniser)
    journal = Journal.create(cases, protocol.protocol.id, text, began=now, passphrase=passphrase)
    with hold_case(journal.folder):
        observer = _Observer(stored.end, heard_s)
        wall = _Wall(start.wall)
        live = Live(
            source=source,
            recogniser=recogniser,
            case=case,
            journal=journal,
            observer=observer,
            flac_writer=None,
            clock=wall,
            engine_news=sure.news if sure else tuple,
            verifier=verifier,
            sure_ear=sure,
        )
        wall.live = live
        live.tell(
            CaseStarted(
                wall=start.wall,
                protocol=protocol.protocol.id,
                weight_kg=start.weight_kg,
                engine=recogniser.name,
                recording=False,
                source=source.name,
                # Another protocol may not know a station of the first.
                channels=tuple(pair for pair in start.channels if pair[1] in protocol.stations),
                original=source.original,
            )
        )
        try:
            live.run()
        finally:
            if sure:
                sure.close()
        if live.fact_writer.finish():
            raise UserError(f"{journal.folder} could not be written to its end")
        seal(live.fact_writer.journal, now.isoformat(timespec="seconds"))
        live.fact_writer.journal.close()
    before = utterances(stored.view())
    after = utterances(case.view(stored.end))
    return Reheard(
        original=folder,
        folder=journal.folder,
        engine_before=start.engine,
        engine=recogniser.name,
        protocol=protocol.protocol.id,
        pairs=align(before, after),
    )


class _Observer:
    """Tells how far hearing has come."""

    def __init__(self, end: float, heard_s: Callable[[float, float], None] | None) -> None:
        self._end = end
        self._heard_s = heard_s

    def heard(self, fact: Fact, utterance: Utterance | None) -> None:
        """Facts are looked at once all are there."""

    def speaking(self, channel: int, words: str) -> None:
        """Nobody watches."""

    def block(self, _t: float, _levels_dbfs: Sequence[float]) -> None:
        if self._heard_s:
            self._heard_s(_t, self._end)


class _Wall:
    """A wall clock that shows the time of the original, since its sound was spoken then."""

    def __init__(self, began: str) -> None:
        self._began = datetime.fromtimestamp(0).astimezone()
        with suppress(ValueError):  # one that does not say, or says what is no time
            self._began = datetime.fromisoformat(began)
        self.live: Live | None = None

    def __call__(self) -> datetime:
        try:
            return self._began + timedelta(seconds=self.live.now if self.live else 0.0)
        except OverflowError:  # the end of all calendars
            return self._began


def _start(stored: StoredCase) -> CaseStarted:
    found = next((fact for fact in stored.facts if isinstance(fact, CaseStarted)), None)
    if found is None:
        raise UserError(f"{stored.folder} does not say how it began: it cannot be heard again")
    return found


def _wide(samples: Samples, channels: int) -> Samples:
    """Return samples with as many channels as the whole case has; channels that a piece lacks are
    silent."""
    import numpy as np  # noqa: PLC0415

    missing = channels - samples.shape[1]
    return np.pad(samples, ((0, 0), (0, missing))) if missing > 0 else samples[:, :channels]
