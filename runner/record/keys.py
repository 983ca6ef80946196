"""The key that seals records: made on first use, kept by the shop, never inside a record.

The private key is an Ed25519 key in PEM (PKCS 8), readable by its owner alone. The public key
lies beside it with the ending ``.pub`` and is what others need to check a seal.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from runner.errors import InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["default_key_path", "fingerprint", "load_key", "load_public_key", "make_key"]


def default_key_path() -> Path:
    """Where the key lies unless said otherwise: the user's configuration folder."""
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "asleft" / "seal-key.pem"


def fingerprint(public_key: bytes) -> str:
    """Sixteen hex digits that name a public key (32 raw bytes)."""
    return hashlib.sha256(public_key).hexdigest()[:16]


def make_key(path: Path) -> Ed25519PrivateKey:
    """Make a new key pair at ``path`` and ``path`` + ``.pub``.

    :raises InputError: a key is there already, or the folder cannot be written
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    public = key.public_key().public_bytes_raw().hex()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(private)
        path.with_name(path.name + ".pub").write_text(public + "\n", encoding="ascii")
    except OSError as error:
        raise InputError(f"the key cannot be written ({error.strerror})", file=path) from None
    return key


def load_key(path: Path) -> Ed25519PrivateKey:
    """Read a private key.

    :raises InputError: not there, or not an Ed25519 key in PEM without a password
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    try:
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise InputError(f"the key cannot be read ({error.strerror})", file=path) from None
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError(
            "this is not a key for sealing",
            file=path, expected="an Ed25519 private key in PEM, without password",
        )  # fmt: skip
    return key


def load_public_key(path: Path) -> bytes:
    """Read a public key, 32 raw bytes.

    :raises InputError: not there, or not 64 hex digits
    """
    try:
        raw = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except OSError as error:
        raise InputError(f"the key cannot be read ({error.strerror})", file=path) from None
    except ValueError:
        raw = b""
    if len(raw) != 32:
        raise InputError(
            "this is not a public key",
            file=path,
            expected="64 hex digits as written beside the key",
        )
    return raw
