"""From a reply's text to a value, strictly; pure functions over a question of a dialect."""

from __future__ import annotations

import re

from runner.errors import FramingError
from runner.instruments.dialect import Question
from runner.link.numbers import Number, parse_bool, parse_number, shown

__all__ = ["as_bool", "as_integer", "as_number", "as_numbers", "as_word", "same_word"]


def as_numbers(question: Question, text: str, limit: float = 9.0e37) -> list[Number]:
    """All parts of the reply; each is a number or the reason why not.

    :raises FramingError: wrong number of parts, or a part that is no number and no sentinel,
        so that the reply cannot be the one asked for
    """
    body = _body(question, text)
    parts = body.split(question.separator) if question.fields > 1 else [body]
    if len(parts) != question.fields:
        raise FramingError(
            f"{question.fields} values were due for {question.ask!r}, found {shown(text)}"
        )
    units = question.units or (question.unit,) * question.fields
    numbers = [
        parse_number(part.strip(), unit, limit=limit)
        for part, unit in zip(parts, units, strict=True)
    ]
    for one in numbers:
        if one.reason is not None and one.reason.startswith(("not a number", "empty")):
            raise FramingError(f"{question.ask!r}: {one.reason}")
    return [
        one if one.value is None else Number(one.value / question.scale, None) for one in numbers
    ]


def as_number(question: Question, text: str, limit: float = 9.0e37) -> Number:
    """The part of the reply that the question wants."""
    return as_numbers(question, text, limit)[question.field]


def as_bool(question: Question, text: str) -> bool:
    """On or off.

    :raises FramingError: neither
    """
    if question.decode == "bit":
        return bool(as_integer(question, text) & question.bit)
    value = parse_bool(_body(question, text))
    if value is None:
        raise FramingError(f"{question.ask!r}: on or off was due, found {shown(text)}")
    return value


def as_integer(question: Question, text: str) -> int:
    """A whole number, in any dress (``16``, ``+16``, ``1.6E+01``, ``#H10``).

    :raises FramingError: no whole number
    """
    body = _body(question, text)
    if question.decode == "byte" or question.n_bytes == 1:
        if len(text) != 1:
            raise FramingError(f"{question.ask!r}: one byte was due, found {shown(text)}")
        return ord(text)
    if re.fullmatch(r"(#H|0x)[0-9A-Fa-f]+", body):
        return int(body[2:], 16)
    number = parse_number(body)
    if number.value is None or not number.value.is_integer():
        raise FramingError(f"{question.ask!r}: a whole number was due, found {shown(text)}")
    return int(number.value)


def as_word(question: Question, text: str) -> str:
    """A word without quotes.

    :raises FramingError: nothing there
    """
    word = _body(question, text).strip().strip("\"'").strip()
    if not word:
        raise FramingError(f"{question.ask!r}: a word was due, found nothing")
    return word


def same_word(found: str, due: str) -> bool:
    """Whether two words are the same keyword, long form or short (SCPI-1999 vol. 1, 6.2.1).

    ``due`` is written as the standard prints it (``NORMal``) or in either form; only a single
    keyword has two forms.
    """
    a, b = found.strip().upper(), due.strip().upper()
    if a == b:
        return True
    if not (a.isalpha() and b.isalpha()):
        return False
    printed_short = "".join(c for c in due if not c.islower()).upper()
    longer, shorter = (a, b) if len(a) > len(b) else (b, a)
    return a == printed_short or (longer.startswith(shorter) and shorter == _short(longer))


def _short(word: str) -> str:
    """Short form of a keyword: four letters, three when the fourth is a vowel."""
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


def _body(question: Question, text: str) -> str:
    if question.pattern is None:
        return text
    match = re.fullmatch(question.pattern, text)
    if match is None:
        raise FramingError(f"{question.ask!r}: {shown(text)} is not the shape that was due")
    state = match.groupdict().get("state")
    if state is not None and question.good_state and state not in question.good_state:
        return "****"
    return match["value"]
