"""Rows found in a damaged SQLite file, page by page, where SQLite itself gives up.

The file format is SQLite's own ("Database File Format", sqlite.org/fileformat2.html): leaves of table trees
are read one by one, in the database and in its write-ahead log, whatever became of the tree above them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

from listener.storage.private_files import data_of, is_regular

Value = int | float | bytes | None

_SIZES = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}
"""Bytes of a value by its serial type below 12."""

_COLUMNS = 4
"""Of our widest table."""


def scanned(path: Path, log: Path, page_size: int = 4096) -> Iterator[tuple[int, list[Value]]]:
    """Yield (rowid, values) of every row that stands in a leaf; texts as bytes. Raises OSError."""
    pages = dict(_pages(path, page_size)) if is_regular(path) else {}
    written = list(_frames(log, page_size)) if is_regular(log) else []
    # Overflow pages are looked up in what was written last; leaves are read in all their versions.
    overflow = Overflow({**pages, **dict(written)})
    for number, page in [*pages.items(), *written]:
        yield from _leaf(page, 100 if number == 1 else 0, overflow, page_size)


def _pages(path: Path, page_size: int) -> Iterator[tuple[int, bytes]]:
    """Give the pages of a database by number, those left out that lie in holes of the file."""
    with path.open("rb") as file:
        for start, until in list(data_of(file.fileno())):
            for at in range(start // page_size * page_size, until, page_size):
                file.seek(at)
                yield at // page_size + 1, file.read(page_size).ljust(page_size, b"\0")


def _frames(log: Path, page_size: int) -> Iterator[tuple[int, bytes]]:
    """Give the pages of a write-ahead log in the order of writing, each with its number."""
    size = page_size + 24
    with log.open("rb") as file:
        for start, until in list(data_of(file.fileno())):
            for at in range(32 + max(start - 32, 0) // size * size, until, size):
                file.seek(at)
                frame = file.read(size)
                if len(frame) == size:
                    yield int.from_bytes(frame[:4], "big"), frame[24:]


class Overflow:
    """The parts of rows that did not fit into a leaf, from chains of pages of their own.

    They share no page, so that all together are no longer than the file: what is longer was made to take
    for ever. Four times that is read, since leaves of old may name pages that were used anew.
    """

    def __init__(self, pages: dict[int, bytes]) -> None:
        self._pages = pages
        self._left = 4 * len(pages)
        self._known: dict[tuple[int, int], bytes] = {}

    def read(self, first: int, length: int) -> bytes:
        """Return `length` bytes of the chain that begins at a page. Raises ValueError, KeyError."""
        if (first, length) not in self._known:
            pieces, at, left = [], first, length
            while left > 0:
                more = self._pages[at]
                self._left -= 1
                if self._left < 0:
                    raise ValueError("longer than the file")
                pieces.append(more[4 : 4 + left])
                at, left = int.from_bytes(more[:4], "big"), left - len(more) + 4
            self._known[first, length] = b"".join(pieces)
        return self._known[first, length]


def _leaf(
    page: bytes, start: int, overflow: Overflow, size: int
) -> Iterator[tuple[int, list[Value]]]:
    if page[start] != 0x0D:
        return
    count = int.from_bytes(page[start + 3 : start + 5], "big")
    for number in range(min(count, (size - start - 8) // 2)):
        at = start + 8 + 2 * number
        try:
            yield _cell(page, int.from_bytes(page[at : at + 2], "big"), overflow, size)
        except (IndexError, ValueError, KeyError, struct.error):
            continue  # this one is damaged


def _cell(page: bytes, at: int, overflow: Overflow, size: int) -> tuple[int, list[Value]]:
    length, at = _varint(page, at)
    rowid, at = _varint(page, at)
    most, least = size - 35, (size - 12) * 32 // 255 - 23
    if length <= most:
        return rowid, record_of(page[at : at + length])
    local = least + (length - least) % (size - 4)
    local = local if local <= most else least
    following = int.from_bytes(page[at + local : at + local + 4], "big")
    return rowid, record_of(page[at : at + local] + overflow.read(following, length - local))


def record_of(payload: bytes) -> list[Value]:
    """Return the values of a row as it is stored. Raises ValueError, IndexError for what is none of
    ours."""
    header, at = _varint(payload, 0)
    kinds = []
    while at < header:
        kind, at = _varint(payload, at)
        kinds.append(kind)
        if len(kinds) > _COLUMNS:
            raise ValueError("no row of ours")
    values: list[Value] = []
    for kind in kinds:
        length = _SIZES[kind] if kind < 12 else (kind - 12) // 2
        if at + length > len(payload):
            raise ValueError("cut off")
        piece = payload[at : at + length]
        at += length
        if kind >= 12:
            values.append(piece)
        elif kind == 7:
            values.append(float(struct.unpack(">d", piece)[0]))
        elif kind == 0:
            values.append(None)
        else:
            values.append(kind - 8 if kind in (8, 9) else int.from_bytes(piece, "big", signed=True))
    return values


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for place in range(9):
        byte = data[at + place]
        if place == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + place + 1
    raise ValueError("no varint")
