"""A code short enough to read over the telephone, for the hash of a record's last line."""

from __future__ import annotations

__all__ = ["short_code"]

_LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_BITS = 50


def short_code(last_hash: str) -> str:
    """Return the first 50 bits of a SHA-256 in hex as ten letters, e.g. ``7K3M9-2QF4X``.

    The letters are Crockford's base 32, which leaves out I, L, O and U. Two different records
    share a code by chance once in 10^15; the code is for comparing papers, the seal for proof.

    :raises ValueError: not a hash in hex
    """
    number = int(last_hash, 16) >> (4 * len(last_hash) - _BITS)
    letters = "".join(_LETTERS[number >> shift & 31] for shift in range(_BITS - 5, -1, -5))
    return f"{letters[:5]}-{letters[5:]}"
