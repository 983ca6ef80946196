"""From a program message (text) to its units: headers and data elements.

IEEE 488.2 chapter 7: units parted by `;`, data by `,`, at least one blank between header and
data. Nothing here knows which headers exist.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from sim_instruments.scpi.errors import ScpiError

__all__ = ["Datum", "ProgramUnit", "split_units"]

_HEADER = re.compile(r"(?P<root>:)?(?P<path>\*?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)"
                     r"(?P<query>\?)?")  # fmt: skip
_DECIMAL = re.compile(
    r"(?P<number>[+-]?(?:(?P<whole>[0-9]+)(?:\.(?P<part>[0-9]*))?|\.(?P<only>[0-9]+))"
    r"(?:[ \t]*[eE][ \t]*(?P<exp>[+-]?[0-9]+))?)[ \t]*(?P<suffix>[A-Za-z/][A-Za-z0-9/.\-]*)?"
)
_RADIX = {"H": 16, "Q": 8, "B": 2}
_NON_DECIMAL = re.compile(r"#([HhQqBb])([0-9A-Fa-f]+)")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_BLANK = " \t"


@dataclass(frozen=True, slots=True)
class Datum:
    """One data element: `kind` is number, word, string, block or expression."""

    kind: str
    text: str
    number: float = 0.0
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class ProgramUnit:
    """One header with its data; `error` is a syntax error number found instead (0: none)."""

    path: tuple[str, ...]
    rooted: bool
    common: bool
    query: bool
    data: tuple[Datum, ...]
    error: int = 0


def split_units(message: str) -> list[ProgramUnit]:
    """Part a message; the list ends with the first unit that breaks the syntax.

    A message of blanks only is empty and legal; an empty unit between semicolons is not.
    """
    if not message.strip():
        return []
    units: list[ProgramUnit] = []
    try:
        for text in _split(message, ";"):
            units.append(_parse_unit(text))
    except ScpiError as error:
        units.append(ProgramUnit((), False, False, False, (), error.number))
    return units


def _split(text: str, separator: str) -> list[str]:
    """Part at a separator outside strings, blocks and expressions."""
    if '"' not in text and "'" not in text and "#" not in text and "(" not in text:
        return text.split(separator)
    parts, start, at = [], 0, 0
    while at < len(text):
        if text[at] == separator:
            parts.append(text[start:at])
            start = at = at + 1
        else:
            at = _skip(text, at)
    parts.append(text[start:])
    return parts


def _skip(text: str, at: int) -> int:
    """Index after the character, or after the whole string, block or expression, at `at`."""
    ch = text[at]
    if ch in "\"'":
        end = text.find(ch, at + 1)
        return len(text) if end < 0 else end + 1
    if ch == "(":
        end = text.find(")", at + 1)
        return len(text) if end < 0 else end + 1
    if ch == "#" and at + 1 < len(text) and text[at + 1] in "123456789":
        digits = int(text[at + 1])
        size = text[at + 2 : at + 2 + digits]
        if len(size) == digits and size.isascii() and size.isdigit():
            return min(len(text), at + 2 + digits + int(size))
    return at + 1


def _parse_unit(text: str) -> ProgramUnit:
    text = text.strip(" \t\r")
    match = _HEADER.match(text)
    if match is None:
        raise ScpiError(-101 if text and not _plain(text[0]) else -102)
    words = tuple(match["path"].upper().split(":"))
    common = words[0].startswith("*")
    if any(len(word.lstrip("*")) > 12 for word in words):
        raise ScpiError(-112)
    if common and (match["root"] or len(words) > 1):
        raise ScpiError(-110)
    rest = text[match.end() :]
    if rest and rest[0] not in _BLANK:
        raise ScpiError(-111 if _plain(rest[0]) else -101)
    rest = rest.strip(_BLANK)
    data = tuple(_parse_datum(part) for part in _split(rest, ",")) if rest else ()
    return ProgramUnit(words, bool(match["root"]), common, bool(match["query"]), data)


def _plain(ch: str) -> bool:
    return " " <= ch <= "~"


def _parse_datum(text: str) -> Datum:
    text = text.strip(_BLANK)
    if not text:
        raise ScpiError(-102)
    first = text[0]
    if first in "\"'":
        return _parse_string(text, first)
    if first == "#":
        return _parse_sharp(text)
    if first == "(":
        if not text.endswith(")"):
            raise ScpiError(-171)
        return Datum("expression", text[1:-1])
    if first in "+-.0123456789":
        return _parse_decimal(text)
    if _WORD.fullmatch(text):
        if len(text) > 12:
            raise ScpiError(-144)
        return Datum("word", text.upper())
    if not all(_plain(ch) for ch in text):
        raise ScpiError(-101)
    raise ScpiError(-103 if _WORD.match(text) else -102)


def _parse_string(text: str, quote: str) -> Datum:
    body = text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in body.replace(quote * 2, ""):
        raise ScpiError(-151)
    return Datum("string", body.replace(quote * 2, quote))


def _parse_sharp(text: str) -> Datum:
    match = _NON_DECIMAL.fullmatch(text)
    if match:
        try:
            return Datum("number", text, float(int(match[2], _RADIX[match[1].upper()])))
        except (ValueError, OverflowError):
            raise ScpiError(-121) from None
    if len(text) > 1 and text[1] in "123456789":
        digits = int(text[1])
        size = text[2 : 2 + digits]
        body = text[2 + digits :]
        if len(size) == digits and size.isascii() and size.isdigit() and len(body) == int(size):
            return Datum("block", body)
    elif text.startswith("#0"):
        return Datum("block", text[2:])
    raise ScpiError(-161)


def _parse_decimal(text: str) -> Datum:
    match = _DECIMAL.fullmatch(text)
    if match is None:
        raise ScpiError(-121)
    mantissa = (match["whole"] or "") + (match["part"] or "") + (match["only"] or "")
    if len(mantissa.lstrip("0")) > 255:
        raise ScpiError(-124)
    if match["exp"] and (len(match["exp"]) > 12 or abs(int(match["exp"])) > 32000):
        raise ScpiError(-123)
    suffix = (match["suffix"] or "").upper()
    if len(suffix) > 12:
        raise ScpiError(-134)
    return Datum("number", text, float(re.sub(r"[ \t]", "", match["number"])), suffix)
