"""Encrypts a case's sound: each second is sealed by itself, so that a killed case loses one at
most.

    8 bytes     "ABSOUND1"
    1 byte      the number of channels
    16 bytes    chance, which gives each file a key of its own (HKDF with SHA-256, RFC 5869)
    then for each second, and for the rest at the end:
    4 bytes     the length of what follows, little-endian, 17 at least
    1 byte      1 for the last piece, else 0
    n bytes     the second as FLAC, sealed by ChaCha20-Poly1305 (RFC 8439)

The nonce is the piece's number, 11 bytes big-endian, and its last-byte: no piece can be left out, doubled,
reordered or cut from the end unseen (the STREAM construction, Hoang et al. 2015). The first 25 bytes are
authenticated with each piece.
"""

from __future__ import annotations

import io
import os
import secrets
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE, Samples

_MAGIC = b"ABSOUND1"
_HEADER = len(_MAGIC) + 1 + 16
_MOST = 16 * SAMPLE_RATE * 2 * 2
"""Most bytes of a piece; a longer one is damage."""


class EncryptedAudioWriter:
    """Sound being written, piece after piece, to an open file."""

    def __init__(self, handle: int, channels: int, key: bytes) -> None:
        self._handle = handle
        self._header = _MAGIC + bytes([channels]) + secrets.token_bytes(16)
        self._cipher = _cipher(key, self._header)
        self._waiting = np.zeros((0, channels), np.int16)
        self._pieces = 0
        self.closed = False
        _put(handle, self._header)

    def write(self, samples: Samples) -> None:
        """Add samples, shape (n, channels). Raises OSError where the disk takes none; they are kept
        for the next try."""
        self._waiting = np.concatenate([self._waiting, samples.reshape(-1, self._waiting.shape[1])])
        while len(self._waiting) >= SAMPLE_RATE:
            self._seal(self._waiting[:SAMPLE_RATE], last=False)
            self._waiting = self._waiting[SAMPLE_RATE:]

    def flush(self) -> None:
        """Put on the disk all sound but the second that is not full yet. Raises OSError."""
        os.fsync(self._handle)

    def close(self) -> None:
        """Write the rest, marked as the last."""
        if not self.closed:
            self.write(self._waiting[:0])  # whole seconds that a full disk left waiting
            self._seal(self._waiting, last=True)
            self.closed = True

    def _seal(self, samples: Samples, *, last: bool) -> None:
        plain = io.BytesIO()
        if len(samples):
            soundfile.write(plain, samples, SAMPLE_RATE, format="FLAC", subtype="PCM_16")
        sealed = self._cipher.encrypt(_nonce(self._pieces, last), plain.getvalue(), self._header)
        _put(self._handle, (len(sealed) + 1).to_bytes(4, "little") + bytes([last]) + sealed)
        self._pieces += 1


class EncryptedAudioReader:
    """Locked sound being read. Raises UserError for a file that is none, or has another key."""

    def __init__(self, path: Path, key: bytes) -> None:
        self._path = path
        self._places: list[tuple[int, int, bool]] = []
        with path.open("rb") as file:
            self._header = file.read(_HEADER)
            if len(self._header) < _HEADER or not self._header.startswith(_MAGIC):
                raise UserError(f"{path}: this is no locked sound")
            self.channels = max(self._header[len(_MAGIC)], 1)
            self._cipher = _cipher(key, self._header)
            self._index(file)
            last = self._piece(file, len(self._places) - 1) if self._places else None
        self.complete = bool(self._places) and self._places[-1][2]
        """Whether it was closed; else its end is missing."""
        whole = max(len(self._places) - 1, 0) * SAMPLE_RATE
        self.frames = whole + (len(last) if last is not None else 0)

    def read(self, first: int, count: int) -> Samples:
        """Return `count` samples from `first` on, fewer at the end; a damaged second is silence."""
        end = min(first + count, self.frames)
        found = []
        with self._path.open("rb") as file:
            for number in range(first // SAMPLE_RATE, -(-end // SAMPLE_RATE)):
                piece = self._piece(file, number)
                if piece is None:
                    piece = np.zeros((SAMPLE_RATE, self.channels), np.int16)
                at = number * SAMPLE_RATE
                found.append(piece[max(first - at, 0) : end - at])
        return np.concatenate([np.zeros((0, self.channels), np.int16), *found])

    def _index(self, file: BinaryIO) -> None:
        size = os.fstat(file.fileno()).st_size
        at = _HEADER
        while at + 5 <= size:
            file.seek(at)
            head = file.read(5)
            length = int.from_bytes(head[:4], "little")
            if not 17 <= length <= _MOST or at + 4 + length > size:
                return  # torn where the power went
            self._places.append((at + 5, length - 1, bool(head[4])))
            at += 4 + length

    def _piece(self, file: BinaryIO, number: int) -> Samples | None:
        if not 0 <= number < len(self._places):
            return None
        at, length, last = self._places[number]
        file.seek(at)
        try:
            plain = self._cipher.decrypt(_nonce(number, last), file.read(length), self._header)
            if not plain:
                return np.zeros((0, self.channels), np.int16)
            samples: Samples = soundfile.read(io.BytesIO(plain), dtype="int16", always_2d=True)[0]
        except (InvalidTag, soundfile.LibsndfileError):
            return None
        return samples


def _cipher(key: bytes, header: bytes) -> ChaCha20Poly1305:
    salt = header[len(_MAGIC) + 1 :]
    return ChaCha20Poly1305(HKDF(SHA256(), 32, salt, b"answerback sound").derive(key))


def _nonce(number: int, last: bool) -> bytes:
    return number.to_bytes(11, "big") + bytes([last])


def _put(handle: int, content: bytes) -> None:
    """Write all of `content` or, where the disk is full, nothing of it. Raises OSError."""
    at = os.lseek(handle, 0, os.SEEK_CUR)
    try:
        rest = memoryview(content)
        while rest:
            rest = rest[os.write(handle, rest) :]
    except OSError:
        os.ftruncate(handle, at)
        os.lseek(handle, at, os.SEEK_SET)
        raise
