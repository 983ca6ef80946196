"""Where the rows of numbers are in a text file, and how they are written."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

from runner.captures.words import is_blank, is_number

__all__ = ["Layout", "cells", "find_layout", "join_decimal_commas"]

_TAIL_ROWS = 60
_TAIL_BYTES = 40_000
_CONFIRM_ROWS = 3
_SEPARATORS = ("\t", ";", ",", " ", "")
_SPLIT_COMMA = re.compile(r"([+-]?\d+),(\d+(?:[eE][+-]?\d+)?)")
_WHOLE = re.compile(r"[+-]?\d+")
_FRACTION = re.compile(r"\d+(?:[eE][+-]?\d+)?")


@dataclass(frozen=True)
class Layout:
    """How a file is written.

    `separator` is "" for one column, " " for any white space. `columns` are the positions of
    the numbers. `header` are the lines before the first row of numbers; `body` is the text
    from there on, without what follows the last row; `first_line` its number in the file,
    counted from 1. `joined` tells that commas were both separator and decimal sign.
    """

    separator: str
    decimal: str
    columns: tuple[int, ...]
    header: tuple[str, ...]
    body: str
    first_line: int
    joined: bool = False


def cells(line: str, separator: str) -> list[str]:
    """Fields of one line, quotes removed."""
    if separator == "":
        return [line.strip().strip('"')]
    if separator == " ":
        return line.split()
    return next(csv.reader([line], delimiter=separator), [])


def find_layout(text: str) -> Layout | None:
    """Find the rows of numbers in a text with "\\n" line ends; None when there are none.

    The end of the file tells the layout: headings may be thousands of lines long, closing
    remarks are short. The rows begin at the first line from which four in a row fit.
    """
    tail = [line for line in text[-_TAIL_BYTES:].split("\n")[1:] if line.strip()][-_TAIL_ROWS:]
    if len(text) <= _TAIL_BYTES:
        tail = [line for line in text.split("\n") if line.strip()][-_TAIL_ROWS:]
    best: tuple[tuple[int, int], str, tuple[int, ...]] | None = None
    for separator in _SEPARATORS:
        if 2 * sum(separator in line.strip() for line in tail) < len(tail):
            continue
        columns, fitting = _number_columns(tail, separator)
        rank = (min(fitting, len(tail) // 2), len(columns))
        if columns and (best is None or rank > best[0]):
            best = (rank, separator, columns)
    if best is None:
        return None
    _, separator, columns = best
    joined = separator == "," and _commas_do_both(tail, columns)
    if joined:
        columns = tuple(range(len(columns) // 2))
        separator = "," if len(columns) > 1 else ""
        text = join_decimal_commas(text)
    return _cut(text, separator, columns, joined)


def _number_columns(tail: list[str], separator: str) -> tuple[tuple[int, ...], int]:
    """Positions that hold a number in at least half of the rows, and how many rows fit them."""
    rows = [cells(line, separator) for line in tail]
    width = max((len(row) for row in rows), default=0)
    counts = [sum(len(row) > c and is_number(row[c]) for row in rows) for c in range(width)]
    most = max(counts, default=0)
    columns = tuple(c for c, count in enumerate(counts) if count and 2 * count >= most)
    return columns, sum(_fits(row, columns) for row in rows)


def _fits(row: list[str], columns: tuple[int, ...]) -> bool:
    """At least one number, and nothing but numbers and blanks where numbers belong."""
    fields = [row[c] if c < len(row) else "" for c in columns]
    return any(map(is_number, fields)) and all(is_number(f) or is_blank(f) for f in fields)


def _commas_do_both(tail: list[str], columns: tuple[int, ...]) -> bool:
    """Unquoted decimal commas between commas: whole parts and fractions in turn, no point.

    Believed only when the first column stands still taken alone (all zeros in front of the
    fractions) or the fractions keep leading zeros, as no list of whole numbers does.
    """
    rows = [cells(line, ",") for line in tail]
    rows = [row for row in rows if _fits(row, columns)]
    if not columns or len(columns) % 2 or len(rows) < 3 or any('"' in line for line in tail):
        return False
    for row in rows:
        wholes, fractions = row[: len(columns) : 2], row[1 : len(columns) : 2]
        if not all(_WHOLE.fullmatch(w.strip()) for w in wholes):
            return False
        if not all(_FRACTION.fullmatch(f.strip()) for f in fractions):
            return False
    still = len({row[0] for row in rows}) == 1
    padded = any(len(f) > 1 and f.startswith("0") for row in rows for f in row[1::2])
    minus_zero = any(w.strip().startswith("-0") for row in rows for w in row[0::2])
    return still or padded or minus_zero


def join_decimal_commas(text: str) -> str:
    """Turn "0,001,1,25" into "0.001,1.25" throughout."""
    return _SPLIT_COMMA.sub(r"\1.\2", text)


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Offset and text of each line, one at a time."""
    start = 0
    while start <= len(text):
        end = text.find("\n", start)
        end = len(text) if end < 0 else end
        yield start, text[start:end]
        start = end + 1


def _cut(text: str, separator: str, columns: tuple[int, ...], joined: bool) -> Layout | None:
    header: list[str] = []
    waiting: list[tuple[int, str]] = []
    for offset, line in _lines(text):
        if waiting and not line.strip():
            waiting.append((offset, line))
        elif _fits(cells(line, separator), columns):
            waiting.append((offset, line))
            if sum(bool(row.strip()) for _, row in waiting) > _CONFIRM_ROWS:
                break
        else:
            header += [*(earlier for _, earlier in waiting), line]
            waiting = []
    if not waiting:
        return None
    body = _without_closing(text[waiting[0][0] :], separator, columns)
    decimal = _decimal_sign(body, separator, columns)
    return Layout(separator, decimal, columns, tuple(header), body, len(header) + 1, joined)


def _without_closing(body: str, separator: str, columns: tuple[int, ...]) -> str:
    """Leave out blank lines and remarks after the last row."""
    end = len(body)
    while end > 0:
        start = body.rfind("\n", 0, end) + 1
        if _fits(cells(body[start:end], separator), columns):
            break
        end = start - 1
    return body[: max(end, 0)]


def _decimal_sign(body: str, separator: str, columns: tuple[int, ...]) -> str:
    lines = [line for _, line in zip(range(_TAIL_ROWS), body.split("\n", _TAIL_ROWS), strict=False)]
    rows = [cells(line, separator) for line in lines]
    fields = [row[c] for row in rows for c in columns if c < len(row)]
    return "," if any("," in field for field in fields) else "."
