"""Ed25519 keys (RFC 8032) in PEM files, as OpenSSL and others read them."""

from __future__ import annotations

from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from grammar.errors import UserError
from listener.storage.output_file import check_output, write_output


class SigningKey:
    """A private key. Raises UserError where its file holds none."""

    def __init__(self, path: Path) -> None:
        try:
            found = serialization.load_pem_private_key(path.read_bytes(), None)
        except (OSError, ValueError, TypeError, UnsupportedAlgorithm):
            found = None
        if not isinstance(found, Ed25519PrivateKey):
            raise UserError(
                f"{path}: this is no Ed25519 key to sign with: `answerback keys` makes one"
            )
        self._key = found

    @property
    def public(self) -> str:
        """The public key, 64 hexadecimal digits."""
        return self._key.public_key().public_bytes_raw().hex()

    def sign(self, message: bytes) -> str:
        """Return the signature, 128 hexadecimal digits."""
        return self._key.sign(message).hex()


def signed_by(public: str, signature: str, message: bytes) -> bool:
    """Return whether `signature` is that of `message` by the key `public`; both hexadecimal."""
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
        key.verify(bytes.fromhex(signature), message)
    except (ValueError, InvalidSignature):
        return False
    return True


def public_key(path: Path) -> str:
    """Return the public key in a PEM file, hexadecimal. Raises UserError where it holds none."""
    try:
        found = serialization.load_pem_public_key(path.read_bytes())
    except (OSError, ValueError, UnsupportedAlgorithm):
        found = None
    if not isinstance(found, Ed25519PublicKey):
        raise UserError(f"{path}: this is no Ed25519 public key")
    return found.public_bytes_raw().hex()


def make_keys(path: Path) -> Path:
    """Write a new private key to `path` and the public one beside it; gives the path of that.

    Raises UserError where either is there already or cannot be written.
    """
    public = path.with_name(f"{path.name}.pub")
    check_output(path)
    check_output(public)
    key = Ed25519PrivateKey.generate()
    secret = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    told = key.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    write_output(path, secret)
    write_output(public, told)
    return public
