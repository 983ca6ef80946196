"""The short code against the standard library's base 32."""

from __future__ import annotations

import base64
import hashlib

import pytest

from runner.record.code import short_code

RFC4648 = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
CROCKFORD = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


@pytest.mark.parametrize("text", ["abc", "", "asleft", "journal"])
def test_code_is_the_front_of_crockfords_base_32(text: str) -> None:
    digest = hashlib.sha256(text.encode()).digest()
    letters = base64.b32encode(digest).decode().translate(str.maketrans(RFC4648, CROCKFORD))
    assert short_code(digest.hex()) == f"{letters[:5]}-{letters[5:10]}"
