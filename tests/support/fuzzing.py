"""What is fuzzed: each target takes bytes, and raises where a file from a stranger could do harm.

A UserError is the answer that bad input should get; anything else that is raised is a fault.
"""

from __future__ import annotations

import io
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing, suppress
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import soundfile

from grammar.case.facts import CaseEnded, CaseStarted, Noted, Resumed, fact_from_json
from grammar.case.fold import Case
from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.protocol.loading import parse_protocol
from grammar.protocol.model import Protocol
from grammar.reports.written_dialogue import judge, parse_dialogue
from listener.audio.sources import AudioFile, RawPcm
from listener.audio.voice_activity import Segmenter
from listener.storage.case_reader import StoredCase, sounds_of
from listener.storage.encrypted_audio import EncryptedAudioReader, EncryptedAudioWriter
from listener.storage.fact_reader import stored_facts
from listener.storage.journal import JOURNAL, Journal, folder_name, new_folder
from listener.storage.seals import verify
from listener.storage.sound_reader import FlacSound
from tui.commands.check_report import _summary
from tui.commands.export import FORMATS, written
from tui.commands.judged_dialogue import page
from tui.text.wording import clean_lines

SMALL = """
[protocol]
id = "small"
title = "Small"
language = "en"

[[station]]
id = "lead"
title = "Lead"
spoken = ["lead"]

[[call]]
id = "give"
title = "Give"
phrases = ["(give|push) {amount} [now]", "timer {duration}"]
answers = ["{amount}"]
readback = "key"
deciding = ["amount"]
window_s = 12
"""

DIALOGUE = """
protocol = "small"
weight_kg = 70
until = 40

[[say]]
t = 2.0
words = "lead give seventy milligrams copy say again"
from = "lead"
channel = 1
until = 5.0

[[say]]
t = inf
words = "disregard fifteen one five"
"""


@dataclass(frozen=True, slots=True)
class Target:
    """One kind of input: files to begin with, and what is done with each."""

    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes], None]
    longest: int


def told(text: str) -> None:
    """What would be printed may not steer a terminal."""
    for char in clean_lines(text):
        assert char == "\n" or (ord(char) >= 32 and not 127 <= ord(char) < 160), ascii(char)


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@cache
def small() -> Protocol:
    """A protocol that costs little."""
    return parse_protocol(SMALL, "small")


@cache
def place() -> Path:
    """A folder in memory where there is one."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None, prefix="fuzz-"))


def protocol(data: bytes) -> None:
    """Read, and printed as `check` does; what it says must be a text of ours."""
    try:
        found = parse_protocol(data.decode("utf-8", "replace"), "a file")
        told("\n".join(_summary(found, len(network(found).words))))
        assert not any(ord(char) < 32 and char not in "\n\t" for char in str(found.model_dump()))
    except UserError as error:
        told(str(error))


def dialogue(data: bytes) -> None:
    """Read, judged by a small protocol, and printed as `judge` does."""
    try:
        found = parse_dialogue(data.decode("utf-8", "replace"), "a file")
        utterances, view = judge(small(), found)
        told(page(small(), utterances, view))
    except UserError as error:
        told(str(error))


@cache
def _case() -> Path:
    return Path(tempfile.mkdtemp(dir=place()))


def journal(data: bytes) -> None:
    """A database, with its log where the input holds a line between the two; nothing else is touched."""
    folder = _case()
    database, _, log = data.partition(b"\n--log--\n")
    (folder / JOURNAL).write_bytes(database)
    (folder / "protocol.toml").write_bytes(SMALL.encode())
    (folder / f"{JOURNAL}-wal").write_bytes(log)
    # Each reads all of it: turn about, each gets a third of the inputs.
    turn = len(data) % 3
    try:
        if turn:
            told(verify(folder).misfit if turn == 1 else stored_facts(folder).missing)
        else:
            _goes_on(folder)
    except UserError as error:
        told(str(error))
    if turn:
        assert (folder / JOURNAL).read_bytes() == database
        assert _names(folder) == [JOURNAL, f"{JOURNAL}-wal", "protocol.toml"]
    else:
        for path in folder.iterdir():
            assert path.name.startswith((JOURNAL, "protocol.toml")), path
            path.unlink()


def _goes_on(folder: Path) -> None:
    """The case opened to go on with, mended where it is damaged: what is told now is there then."""
    journal = Journal.open(folder)
    try:
        try:
            before = [fact.seq for fact in journal.facts()]
        except ValueError:
            return  # a fact that is none: told where the case is read
        journal.append_next(Noted(t=3.0, text="later"))
    except sqlite3.Error:
        return  # it cannot be written: listening goes on, and says so
    finally:
        journal.close()
    assert [fact.seq for fact in stored_facts(folder).facts] == [*before, journal.count]


@cache
def _empty() -> tuple[Case, tuple[object, ...]]:
    case = Case(small())
    return case, (case.protocol, case._understanding)


class _Strange(StoredCase):
    """A case of facts as a strange journal may hold them."""

    def case(self) -> Case:
        # Learning the protocol costs more than the facts: a case that has, and no facts, is copied.
        empty, learnt = _empty()
        case = deepcopy(empty, {id(one): one for one in learnt})
        for fact in self.facts:
            case.add(fact)
        return case


def _strange(data: bytes) -> _Strange:
    found = []
    for line in data.split(b"\n")[:20]:
        with suppress(ValueError):
            found.append(fact_from_json(line))
    return _Strange(Path("case"), small(), tuple(found), ())


def facts(data: bytes) -> None:
    """Facts as a strange journal may hold them, folded."""
    stored = _strange(data)
    case, last = stored.case(), max((fact.t for fact in stored.facts), default=0.0)
    view = case.view(last)
    told("\n".join(line.text for line in view.log))
    case.at(last / 2)


def exports(data: bytes) -> None:
    """Such facts, exported: turn about in each format, since all of them read the same."""
    form = FORMATS[len(data) % len(FORMATS)]
    try:
        told(written(_strange(data), form).replace("\r\n", "\n"))
    except UserError as error:
        told(str(error))


def audio(data: bytes) -> None:
    """A file of sound, heard as far as it goes, and read as a recording."""
    path = place() / "sound"
    path.write_bytes(data)
    try:
        source = AudioFile(path)
        for count, block in enumerate(source.blocks()):
            assert block.samples.dtype == np.int16
            if count > 50:
                break
    except UserError as error:
        told(str(error))
    for kind in (FlacSound, lambda one: EncryptedAudioReader(one, bytes(32))):
        try:
            sound = kind(path)
            assert len(sound.read(100, 1000)) <= 1000
        except UserError as error:
            told(str(error))


def pcm(data: bytes) -> None:
    """Sound from a pipe that gives what it likes, cut into speech."""
    segmenter = Segmenter()
    try:
        for block in RawPcm(io.BytesIO(data)).blocks():
            segmenter.push(block.samples[:, 0])
        segmenter.flush()
    except UserError as error:
        told(str(error))


@cache
def _cases() -> tuple[Path, Path]:
    around = Path(tempfile.mkdtemp(dir=place()))
    (around / "outside.flac").write_bytes(b"not ours")
    (around / "cases").mkdir()
    return around, around / "cases"


def names(data: bytes) -> None:
    """A protocol's name becomes a folder, a journal's word a file of sound: both inside, always."""
    around, cases = _cases()
    name = data.decode("utf-8", "replace")
    folder = new_folder(cases, folder_name("2026-01-02_12-00-00", name))
    assert folder.parent == cases
    assert folder.resolve().parent == cases.resolve()
    sounds, _ = sounds_of(folder, [Resumed(t=0.0, audio=name, recording=True)])
    assert not sounds
    told(str(folder))
    folder.rmdir()
    assert _names(around) == ["cases", "outside.flac"]
    assert not _names(cases)


def _protocols() -> list[bytes]:
    shipped = (files("grammar.protocol") / "template.toml").read_bytes()
    odd = SMALL.replace('"Small"', '"\\u001b[2J\\u009b31m"')
    return [
        SMALL.encode(),
        shipped[:4000],
        odd.encode(),
        b"x = " + b"[" * 2000,
        b"x = " + b"9" * 5000,
    ]


def _journals() -> list[bytes]:
    cases = Path(tempfile.mkdtemp(dir=place()))
    from datetime import UTC, datetime

    kept = Journal.create(cases, "small", SMALL, began=datetime(2026, 1, 2, tzinfo=UTC))
    kept.append_next(CaseStarted(protocol="small"))
    kept.append_next(Noted(t=1.0, text="a note " * 900))
    going = kept.folder / f"{JOURNAL}-wal"
    open_ = (kept.folder / JOURNAL).read_bytes() + b"\n--log--\n" + going.read_bytes()
    kept.append_next(CaseEnded(t=2.0))
    kept.close()
    closed = (kept.folder / JOURNAL).read_bytes()
    with closing(sqlite3.connect(kept.folder / JOURNAL)) as small_pages:
        small_pages.executescript("PRAGMA journal_mode=DELETE; PRAGMA page_size=512; VACUUM")
    little = (kept.folder / JOURNAL).read_bytes()
    shutil.rmtree(cases)
    other = sqlite3.connect(":memory:")
    other.execute("CREATE TABLE x (y)")
    return [little, closed, open_, other.serialize(), b""]


def _facts() -> list[bytes]:
    lines = [
        b'{"kind":"case-started","seq":1,"protocol":"small","weight_kg":70}',
        b'{"kind":"heard","seq":2,"t":1,"until":2,"words":[{"text":"give","start":1,"end":2}]}',
        b'{"kind":"heard","seq":3,"t":-1e308,"until":1e308,"channel":-9,"words":[]}',
        b'{"kind":"entered","seq":4,"t":3,"call":"give","slots":[["amount",3]]}',
        b'{"kind":"amended","seq":5,"t":4,"target":2,"words":"timer three minutes"}',
        b'{"kind":"withdrawn","seq":6,"t":4,"target":6}',
        b'{"kind":"gap","seq":7,"t":5,"until":1,"reason":"\\u001b[2J"}',
        b'{"kind":"timer-changed","seq":8,"t":5,"timer":1,"change":"extend","seconds":-1e300}',
        b'{"kind":"answered-by-hand","seq":9,"t":5,"loop":1}',
        b'{"kind":"ticked","seq":10,"t":5,"checklist":"x","item":"y"}',
    ]
    walls = (b"2026-01-02T12:00:00+01:00", b"9999-12-31T23:59:59Z", b"in the morning")
    lines += [b'{"kind":"case-started","seq":1,"protocol":"small","wall":"%s"}' % w for w in walls]
    return [b"\n".join(lines), *lines]


def _sounds() -> list[bytes]:
    made = []
    sound = (np.sin(np.arange(3000) / 9) * 9000).astype(np.int16)
    for form in ("WAV", "FLAC", "AIFF", "OGG"):
        out = io.BytesIO()
        subtype = "VORBIS" if form == "OGG" else "PCM_16"
        soundfile.write(out, np.stack([sound, sound], 1), 16_000, format=form, subtype=subtype)
        made.append(out.getvalue())
    path = place() / "locked"
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
    locked = EncryptedAudioWriter(handle, 1, bytes(32))
    locked.write(sound[:, np.newaxis])
    locked.close()
    os.close(handle)
    return [*made, path.read_bytes()]


TARGETS = {
    "protocols": Target(_protocols, protocol, 6000),
    "dialogues": Target(lambda: [DIALOGUE.encode()], dialogue, 2000),
    "journals": Target(_journals, journal, 40_000),
    "facts": Target(_facts, facts, 2000),
    "exports": Target(_facts, exports, 2000),
    "audio": Target(_sounds, audio, 8000),
    "pcm": Target(lambda: [b"", b"\0", b"\xff\x7f" * 2000, bytes(range(256)) * 20], pcm, 8000),
    "names": Target(
        lambda: [
            b"../outside.flac",
            b"..",
            b"/etc/hostname",
            b"a" * 300,
            b"\x1b[2J\n",
            b"journal.db",
        ],
        names,
        300,
    ),
}
"""By the name to give to `python -m tests.tools.fuzz`."""
