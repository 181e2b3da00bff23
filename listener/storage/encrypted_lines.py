"""Encrypts lines of text, each by itself: notes that lie beside a locked case.

A line is base64 (RFC 4648) of 12 bytes of chance, the nonce, and the text sealed by ChaCha20-Poly1305
(RFC 8439); its key comes from that of the sound by HKDF with SHA-256 (RFC 5869).
"""

from __future__ import annotations

import base64
import secrets

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from listener.storage.passphrase import Keys

_NONCE = 12


def seal_line(keys: Keys, text: bytes) -> str:
    """Return the text as a sealed line, without its end."""
    nonce = secrets.token_bytes(_NONCE)
    return base64.b64encode(nonce + _cipher(keys).encrypt(nonce, text, None)).decode()


def open_line(keys: Keys, line: str) -> bytes:
    """Return the text of a sealed line. Raises ValueError for one that was changed, or has another
    key."""
    sealed = base64.b64decode(line, validate=True)
    try:
        return _cipher(keys).decrypt(sealed[:_NONCE], sealed[_NONCE:], None)
    except InvalidTag:
        raise ValueError("sealed with another key, or changed") from None


def _cipher(keys: Keys) -> ChaCha20Poly1305:
    return ChaCha20Poly1305(HKDF(SHA256(), 32, None, b"debrief notes").derive(keys.sound))
