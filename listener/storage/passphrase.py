"""Derives from a passphrase the keys of a case's journal and of its sound.

The keys come from the passphrase by scrypt (RFC 7914). Its salt and cost, and a check that tells a
right passphrase from a wrong one before anything is opened, lie beside the journal in `lock.json`;
the passphrase and the keys are stored nowhere.
"""

from __future__ import annotations

import hmac
import os
import secrets
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from grammar.errors import UserError
from listener.storage.private_files import read_regular

LOCK = "lock.json"

COST = 2**17
"""scrypt's N; with r = 8 and p = 1 it is the cost that OWASP's Password Storage Cheat Sheet asks
for (128 MiB)."""


@dataclass(frozen=True, slots=True, repr=False)
class Keys:
    """The keys of a case: 32 bytes for its journal and for its sound."""

    journal: bytes
    sound: bytes
    lock: bytes = b""
    """The lock that they belong to, as it is stored."""


class _Lock(BaseModel):
    # Bounds, since the file may come from others: more would take the machine's memory.
    model_config = ConfigDict(extra="forbid", frozen=True)

    version: int = Field(ge=1, le=1)
    n: int = Field(ge=2, le=2**20)
    r: int = Field(ge=1, le=8)
    p: int = Field(ge=1, le=4)
    salt: str = Field(pattern="^[0-9a-f]{32}$")
    check: str = Field(pattern="^[0-9a-f]{64}$")


def new_lock(passphrase: str) -> Keys:
    """Return the keys of a new case, with its lock. Raises UserError for an empty passphrase."""
    if not passphrase:
        raise UserError("the passphrase is empty: give one, or none at all")
    salt = secrets.token_bytes(16)
    check, keys = _derive(passphrase, salt, n=COST, r=8, p=1)
    wanted = _Lock(version=1, n=COST, r=8, p=1, salt=salt.hex(), check=check)
    return replace(keys, lock=wanted.model_dump_json(indent=1).encode() + b"\n")


def is_locked(folder: Path) -> bool:
    """Return whether a case needs a passphrase."""
    return os.path.lexists(folder / LOCK)


def unlock(folder: Path, passphrase: str | None) -> Keys | None:
    """Return the keys of a case; None where it needs none.

    Raises UserError where the passphrase is missing or wrong; nothing is changed then.
    """
    path = folder / LOCK
    if not is_locked(folder):
        return None
    if passphrase is None:
        raise UserError(f"{folder} is locked: give its passphrase with --passphrase-file FILE")
    try:
        keys = keys_for(read_regular(path), passphrase)
    except (OSError, ValueError):
        raise UserError(f"{path} cannot be read: without it the case cannot be opened") from None
    if keys is None:
        raise UserError(f"this is not the passphrase of {folder}: nothing was changed")
    return keys


def keys_for(lock: bytes, passphrase: str) -> Keys | None:
    """Return the keys of a lock, as it is stored; None where the passphrase is not its own. Raises
    ValueError where it is no lock."""
    try:
        kept = _Lock.model_validate_json(lock)
    except ValidationError as error:
        raise ValueError(str(error)) from None
    if kept.n & (kept.n - 1):
        raise ValueError("n is no power of two")
    check, keys = _derive(passphrase, bytes.fromhex(kept.salt), n=kept.n, r=kept.r, p=kept.p)
    return replace(keys, lock=lock) if hmac.compare_digest(check, kept.check) else None


def _derive(passphrase: str, salt: bytes, *, n: int, r: int, p: int) -> tuple[str, Keys]:
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt  # noqa: PLC0415  (rarely wanted)

    found = Scrypt(salt=salt, length=96, n=n, r=r, p=p).derive(passphrase.encode())
    return sha256(found[:32]).hexdigest(), Keys(found[32:64], found[64:])
