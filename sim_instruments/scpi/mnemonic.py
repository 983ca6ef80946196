"""Keywords: long form, short form, numeric suffix.

A keyword is written with its short form in capitals (`VOLTage`). SCPI-1999 vol. 1, 6.2.1: only
the exact short or the exact long form is legal, case does not matter.
"""

from __future__ import annotations

import re

__all__ = ["forms", "short_form", "split_suffix"]

_KEYWORD = re.compile(r"([A-Za-z_]+?)([0-9]*)")


def short_form(long: str) -> str:
    """Return the short form that the rule makes of a long form, trailing number kept.

    Up to four letters stay as they are; longer words keep four letters, or three when the
    fourth is a vowel, `Y` counted as one; `TCOUPLE` is the standard's listed exception.
    """
    match = _KEYWORD.fullmatch(long)
    if match is None:
        raise ValueError(f"not a keyword: {long!r}")
    word, digits = match[1].upper(), match[2]
    if word == "TCOUPLE":
        return "TC" + digits
    if len(word) <= 4:
        return word + digits
    return word[: 3 if word[3] in "AEIOUY" else 4] + digits


def forms(written: str) -> frozenset[str]:
    """Both legal upper-case forms of a keyword written as `VOLTage` (or `UP`, `ON`)."""
    upper = written.upper()
    capitals = "".join(ch for ch in written if not ch.islower())
    return frozenset((upper, capitals.upper()))


def split_suffix(word: str) -> tuple[str, str]:
    """Part a received keyword from its trailing digits: `CHAN2` gives `("CHAN", "2")`."""
    stem = word.rstrip("0123456789")
    return stem, word[len(stem) :]
