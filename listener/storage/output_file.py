"""The one way in which a command writes a file that its user asked for: a page, an export, a picture.

A file that is already there is never written over unless the user says so, nothing is written inside a
case folder or through a link, and a reader never meets half a file.
"""

from __future__ import annotations

import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path

from grammar.errors import UserError
from listener.storage.journal import JOURNAL, PROTOCOL
from listener.storage.private_files import private_file, settle


def check_output(path: Path, *, replace: bool = False) -> None:
    """Raise UserError where `write_output` would refuse `path` now; write nothing.

    Long work asks first, so that its result is not lost at its end.
    """
    case = _case_around(path)
    if case is not None:
        raise UserError(f"{path}: nothing is written inside the case folder {case}")
    try:
        found = path.lstat()
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise UserError(f"{path} cannot be written: its folder does not exist") from None
        return
    except OSError as error:
        raise UserError(f"{path} cannot be written: {error.strerror}") from None
    if stat.S_ISLNK(found.st_mode):
        raise UserError(f"{path} is a link, and nothing is written through one: give another name")
    if not stat.S_ISREG(found.st_mode):
        raise UserError(f"{path} exists and is no ordinary file: give another name")
    if not replace:
        raise UserError(f"{path} exists already: give another name, or --replace")


def write_output(path: Path, content: bytes, *, replace: bool = False) -> None:
    """Write a file whole or not at all, readable by its owner alone (mode 0600).

    `replace`: an ordinary file of that name may be put aside for good. Raises UserError where the file
    exists and `replace` is not set, where it is a link or lies in a case folder, or cannot be written.
    """
    check_output(path, replace=replace)
    part = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        try:
            private_file(part, content)
            if replace:
                part.replace(path)
            else:
                _move_to_new(part, path)
        finally:
            part.unlink(missing_ok=True)
        settle(path.parent)
    except FileExistsError:
        raise UserError(f"{path} exists already: give another name, or --replace") from None
    except OSError as error:
        raise UserError(f"{path} cannot be written: {error.strerror}") from None


def _move_to_new(part: Path, path: Path) -> None:
    """Give a finished file its name. Raises FileExistsError where another has it by now."""
    with suppress(PermissionError, NotImplementedError):  # a file system without hard links
        os.link(part, path, follow_symlinks=False)
        return
    if os.path.lexists(path):
        raise FileExistsError(path)
    part.rename(path)


def _case_around(path: Path) -> Path | None:
    """Return the case folder in which a path lies, links in its folders followed; None where in none."""
    try:
        folder = path.absolute().parent.resolve()
    except (OSError, RuntimeError):
        return None
    return next((one for one in (folder, *folder.parents) if _is_case(one)), None)


def _is_case(folder: Path) -> bool:
    names = (JOURNAL, PROTOCOL)
    return any(os.path.lexists(folder / name) for name in names)
