"""Notes made after the case. They go to a file beside the case folder, which stays as it is.

The file is named after the folder, with `.debrief.jsonl` behind: one JSON object a line, private to
its user. Beside a locked case each line is sealed with its passphrase.
"""

from __future__ import annotations

import os
from pathlib import Path

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass
from pydantic.type_adapter import TypeAdapter

from grammar.errors import UserError
from listener.storage.passphrase import Keys
from listener.storage.private_files import read_regular


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid", allow_inf_nan=False))
class DebriefNote:
    """A note of the debrief: `text` about the moment `t`, seconds on the case's clock; `wall` is when it
    was written.
    """

    t: float
    text: str
    wall: str = ""


_ADAPTER: TypeAdapter[DebriefNote] = TypeAdapter(DebriefNote)


def notes_path(folder: Path) -> Path:
    """Return the file beside a case folder that holds its debrief notes."""
    whole = folder.absolute()
    return whole.with_name(f"{whole.name}.debrief.jsonl")


def read_notes(folder: Path, keys: Keys | None) -> tuple[DebriefNote, ...]:
    """Return the notes on a case, in order of time; `keys` are those of a locked one.

    Raises UserError for a file that cannot be read.
    """
    path = notes_path(folder)
    if not os.path.lexists(path):
        return ()
    try:
        lines = read_regular(path).decode().splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot be read ({error})") from None
    notes = []
    for number, line in enumerate(lines, start=1):
        try:
            notes.append(_ADAPTER.validate_json(line if keys is None else _opened(keys, line)))
        except ValueError:
            raise UserError(f"{path}: line {number} is no note: mend it or take it out") from None
    return tuple(sorted(notes, key=lambda note: note.t))


def add_note(folder: Path, note: DebriefNote, keys: Keys | None) -> None:
    """Write one more note. Raises UserError where the file cannot be written."""
    path = notes_path(folder)
    line = _ADAPTER.dump_json(note)
    if keys is not None:
        line = _sealed(keys, line)
    try:
        own = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK
        handle = os.open(path, own, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(line + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise UserError(f"{path}: the note cannot be written ({error.strerror})") from None


def _sealed(keys: Keys, line: bytes) -> bytes:
    from listener.storage.encrypted_lines import seal_line  # noqa: PLC0415  (cryptography, for locked cases only)

    return seal_line(keys, line).encode()


def _opened(keys: Keys, line: str) -> bytes:
    from listener.storage.encrypted_lines import open_line  # noqa: PLC0415

    return open_line(keys, line)
