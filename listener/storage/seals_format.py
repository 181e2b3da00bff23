"""The form of a seal: one line of canonical JSON (RFC 8785), signed or not. `seals.py` says what it is for.

    {"seal": {"facts": 312, "head": HASH, "sounds": {"audio.flac": HASH}, "wall": TIME},
     "key": PUBLIC KEY, "signature": SIGNATURE}

`head` is the hash of the last fact (`hash_chain.py`), `sounds` the SHA-256 of each file of sound,
`wall` the time. Key and signature (Ed25519, RFC 8032, hexadecimal) are there when it is signed; what is
signed is the canonical JSON of `seal`.
"""

from __future__ import annotations

import rfc8785
from pydantic import BaseModel, ConfigDict, Field

_STRICT = ConfigDict(extra="forbid", frozen=True)


class Seal(BaseModel):
    """The content of a case at one moment."""

    model_config = _STRICT

    facts: int = Field(ge=0)
    head: str
    sounds: dict[str, str]
    wall: str

    @property
    def canonical(self) -> bytes:
        """Return it as canonical JSON (RFC 8785), which is what is signed."""
        return rfc8785.dumps(self.model_dump())


class Sealed(BaseModel):
    """A seal as it is stored."""

    model_config = _STRICT

    seal: Seal
    key: str | None = None
    signature: str | None = None

    @property
    def line(self) -> str:
        """Return it as a line of canonical JSON, as it is stored."""
        return rfc8785.dumps(self.model_dump(exclude_none=True)).decode()

    @property
    def signed(self) -> bool:
        """Return whether a signature is there and fits."""
        if self.signature is None:
            return False
        from listener.storage.signing import signed_by  # noqa: PLC0415  (cryptography, where it is signed)

        return signed_by(self.key or "", self.signature, self.seal.canonical)
