"""Names and units of the columns, and the sample interval, from the lines above the numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from runner.captures.layout import Layout, cells
from runner.captures.words import (
    Unit,
    is_blank,
    is_interval_key,
    is_number,
    is_rate_key,
    name_and_unit,
    number_with_unit,
    rate_factor,
    unit_of,
)

__all__ = ["Heading", "headings", "sample_interval_s"]

_NEAREST_LINES = 4
_MIXED_ROWS = 200


@dataclass(frozen=True)
class Heading:
    """Name and unit of one column; empty and None where the file gives none."""

    name: str
    unit: Unit | None


def headings(layout: Layout) -> tuple[Heading, ...]:
    """Headings of the number columns, from the nearest lines that name them."""
    names, units = _named_rows(layout)
    found = []
    for position, column in enumerate(layout.columns):
        name, unit = name_and_unit(names[position]) if names else ("", None)
        below = unit_of(units[position]) if units else None
        if below is None and unit is None and name:
            unit = unit_of(name)
        found.append(Heading(name or f"column {column + 1}", below or unit))
    return tuple(found)


def _named_rows(layout: Layout) -> tuple[list[str] | None, list[str] | None]:
    """Return the row of names and the row of units, each cut to the number columns."""
    names: list[str] | None = None
    units: list[str] | None = None
    near = [line for line in layout.header[-_NEAREST_LINES:] if line.strip()]
    for line in reversed(near):
        row = [cell.strip() for cell in cells(line.lstrip("#%; "), layout.separator)]
        if len(row) <= max(layout.columns):
            break
        fields = [row[column] for column in layout.columns]
        if any(is_number(field) for field in fields) or all(is_blank(f) for f in fields):
            break
        if units is None and any(unit_of(f) for f in fields[-1:]) and names is None:
            units = fields
        elif names is None:
            names = fields
            break
    return names, units


def sample_interval_s(layout: Layout) -> float | None:
    """Sample interval in s, from a heading such as "Sample Interval,1e-6,s" or "Rate: 1 MSa/s".

    The number may stand in the same cell, in the next, or below (a row of headings above a
    row of values), with its unit behind it or in the heading. None when there is none.
    """
    grid = [_heading_cells(line, layout.separator) for line in _heading_lines(layout)]
    for row_number, row in enumerate(grid):
        for column, cell in enumerate(row):
            key, _, rest = _split_key(cell)
            if not (is_interval_key(key) or is_rate_key(key)):
                continue
            below = grid[row_number + 1] if row_number + 1 < len(grid) else []
            value = _value_near(rest, row[column + 1 :], below[column : column + 1])
            interval = None if value is None else _interval(key, *value)
            if interval is not None:
                return interval
    return None


def _heading_lines(layout: Layout) -> Sequence[str]:
    """The lines above the numbers, or beside them when the numbers begin further right."""
    if layout.columns[0] > 0:
        return (*layout.header, *layout.body.split("\n", _MIXED_ROWS)[:_MIXED_ROWS])
    return layout.header


def _heading_cells(line: str, separator: str) -> list[str]:
    """Headings above a single column have a separator of their own."""
    if separator in ("", " "):
        separator = next((sign for sign in ("\t", ";", ",") if sign in line), "")
    return cells(line, separator)


def _split_key(cell: str) -> tuple[str, str, str]:
    text = cell.strip().lstrip("#%; ")
    for sign in (":", "="):
        if sign in text:
            return text.partition(sign)
    return text, "", ""


def _value_near(rest: str, right: list[str], below: list[str]) -> tuple[float, str] | None:
    """Number and unit word: in the cell itself, in the cells to the right, or below."""
    if rest.strip():
        return number_with_unit(rest)
    filled = [cell for cell in right if not is_blank(cell)]
    for cell in [*filled[:1], *below]:
        value = number_with_unit(cell)
        if value is not None:
            unit = value[1] or (filled[1].strip() if len(filled) > 1 and cell in filled else "")
            return value[0], unit
    return None


def _interval(key: str, value: float, word: str) -> float | None:
    if not value > 0:
        return None
    if is_rate_key(key):
        factor = rate_factor(word)
        return 1 / (value * (factor if factor is not None else 1.0))
    in_key = name_and_unit(key)[1]
    unit = unit_of(word) or in_key
    return value * unit.factor if unit is not None and unit.base == "s" else value
