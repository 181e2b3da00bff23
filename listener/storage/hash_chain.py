"""The chain that shows whether a stored fact was changed.

Each fact carries the hash of the one before it and its own:

    body      the fact as canonical JSON (RFC 8785), UTF-8
    before    the hash of the fact before; for the first fact, the SHA-256 of protocol.toml as stored
    hash      SHA-256 over `before` (64 hexadecimal digits), one line feed, and `body`

all hashes in lower-case hexadecimal. The hash is of the stored bytes themselves, so any program
with SHA-256 can follow the chain, and a change that leaves the JSON's meaning alone is found too.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256

import rfc8785

from grammar.case.facts import Fact, as_dict


@dataclass(frozen=True, slots=True)
class Row:
    """One fact as it is stored. Bytes, since what was changed need not be text any more."""

    seq: int
    before: bytes
    hash: bytes
    body: bytes
    texts: bool = True
    """Whether all three are stored as text, as they were written."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """The first fact that does not fit, by its number, and why."""

    seq: int
    why: str

    def __str__(self) -> str:
        return f"fact {self.seq} does not fit: {self.why}"


def canonical(fact: Fact) -> str:
    """Return a fact as canonical JSON (RFC 8785); `grammar.case.facts.fact_from_json` reads it back."""
    return rfc8785.dumps(as_dict(fact)).decode()


def origin(protocol: bytes) -> str:
    """Return the value that the first fact carries as `before`: it binds the case to its protocol."""
    return sha256(protocol).hexdigest()


def link(before: str, body: str) -> str:
    """Return the hash of a fact with this `body` that follows one with the hash `before`."""
    return sha256(f"{before}\n{body}".encode()).hexdigest()


class ChainCheck:
    """Follows the chain row by row, so that a long case need not be held to be checked.

    Rows come in the order of their numbers. `misfit` is the first that does not fit, None while all do.
    """

    def __init__(self, before: str, *, gaps: bool = False) -> None:
        """`before` is what the first fact must carry; `gaps`: facts may be missing in between, since
        the journal was torn: those that are left must still be what was stored."""
        self.misfit: Misfit | None = None
        self.head = b""
        """The hash of the last row."""
        self._expected = before.encode()
        self._number = 0
        self._gaps = gaps

    def add(self, row: Row) -> None:
        """Check one more row."""
        if self.misfit is None:
            why = self._why_not(row)
            if why:
                self.misfit = Misfit(row.seq if self._gaps else self._number + 1, why)
        self._number = row.seq
        self._expected = self.head = row.hash

    def _why_not(self, row: Row) -> str:
        follows = row.seq == self._number + 1
        if not follows and not self._gaps:
            return "it is missing"
        if not row.texts:
            return "it is not stored as text any more"
        if not fits(row):
            return "it was changed after it was stored"
        if follows and row.before != self._expected:
            before = "the fact before it" if self._number else "the protocol kept in the folder"
            return f"it does not follow {before}"
        # Canonical JSON has no spaces, and a quote inside a text stands there escaped.
        plain = b'"seq":%d' % row.seq
        if plain + b"," not in row.body and _number(row.body) != row.seq:
            return "it bears another number"
        return ""


def fits(row: Row) -> bool:
    """Return whether a row's own hash is that of what it holds."""
    return sha256(row.before + b"\n" + row.body).hexdigest().encode() == row.hash


def first_misfit(rows: Iterable[Row], before: str) -> Misfit | None:
    """Return the first of `rows`, in the order of their numbers, that does not fit; None where all
    do.

    `before` is what the first fact must carry.
    """
    check = ChainCheck(before)
    for row in rows:
        check.add(row)
        if check.misfit:
            return check.misfit
    return None


def _number(body: bytes) -> object:
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        return None
    return found.get("seq") if isinstance(found, dict) else None
