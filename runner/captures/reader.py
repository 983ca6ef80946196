"""Reads a scope's text file: finds the rows, the time, the channels; says what it took them for."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from runner.captures.capture import Capture, Channel
from runner.captures.header import Heading, headings, sample_interval_s
from runner.captures.layout import Layout, find_layout
from runner.captures.pairs import join_envelopes, rows_side_by_side
from runner.captures.timing import Timing, from_interval, from_times
from runner.captures.words import Unit, is_blank, is_number, is_time_name
from runner.errors import InputError
from runner.quantity import format_quantity
from runner.signals.samples import FloatArray

__all__ = ["read_capture"]

_LATEST_S = 1e9  # some thirty years; beyond it stand words for overload
_SEPARATOR_NAMES = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "blanks", "": "line ends"}


def read_capture(path: Path, *, interval_s: float | None = None) -> Capture:
    """Read a file; `interval_s` is the sample interval when the file does not give it.

    Raises InputError (file, line, expected, found) when it cannot be read, is no text, holds
    no rows of numbers, a row cannot be understood, or nothing gives the time.
    """
    layout = find_layout(_text(path))
    if layout is None:
        raise InputError("no rows of numbers", file=path, expected="time and volts in columns")
    table = _table(layout, path)
    if len(table) < 2:
        raise InputError(
            "too few rows of numbers", file=path, line=layout.first_line,
            expected="two rows or more", found=str(len(table)),
        )  # fmt: skip
    names: Sequence[Heading] = headings(layout)
    notes = [_layout_note(layout, len(table))]
    given_s = interval_s if interval_s is not None else sample_interval_s(layout)
    time_at = _time_column(table, names, given_s is not None)
    pairs = None if time_at is None else rows_side_by_side(table, names, time_at)
    if pairs is not None:
        (table, names), time_at = pairs, 0
        notes.append("every time comes twice: pairs of minimum and maximum")
    value_at = [c for c in range(table.shape[1]) if c != time_at]
    value_at = _without_index(table, names, value_at, notes)
    if time_at is None:
        timing = _even_timing(table, given_s, path, layout.first_line, notes)
    else:
        timing = _column_timing(table, names, time_at, path, layout.first_line, notes)
    if not value_at:
        raise InputError("only times, no samples", file=path, line=layout.first_line)
    channels = join_envelopes(_channels(table, names, value_at, notes), notes)
    return Capture(path, timing.t_s, timing.dt_s, timing.pieces, channels, (*notes, *timing.notes))


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror or error})", file=path) from None
    if not data.strip():
        raise InputError("the file is empty", file=path, expected="a scope's capture as text")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if "\0" in text:
        raise InputError("not a text file", file=path, expected="a capture exported as CSV or text")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _table(layout: Layout, path: Path) -> FloatArray:
    """Numbers (rows, columns); NaN where a cell is blank."""
    try:
        frame = _parse(layout, dtype=np.float64)
    except (ValueError, TypeError):  # pandas' own parser errors are ValueErrors
        return _cell_by_cell(layout, path)
    return np.asarray(frame, dtype=np.float64)


def _parse(layout: Layout, *, dtype: Any) -> Any:
    import pandas as pd

    separator = {" ": r"\s+", "": "\x01"}.get(layout.separator, layout.separator)
    return pd.read_csv(
        io.StringIO(layout.body), sep=separator, header=None, dtype=dtype,
        names=range(layout.columns[-1] + 1), usecols=list(layout.columns), index_col=False,
        decimal=layout.decimal, skip_blank_lines=False, skipinitialspace=True,
        na_values=["-", "--", "---", "gap"],
    )  # fmt: skip


def _cell_by_cell(layout: Layout, path: Path) -> FloatArray:
    """The slow way, for files with a word among the numbers: a gap, or a row to complain of."""
    from runner.captures.layout import cells

    rows = []
    for number, line in enumerate(layout.body.split("\n"), start=layout.first_line):
        row = cells(line, layout.separator)
        fields = [row[c].strip() if c < len(row) else "" for c in layout.columns]
        if not any(character.isdigit() for character in line):
            fields = [""] * len(fields)  # a remark between two stretches
        rows.append([_number(field, layout.decimal, path, number) for field in fields])
    return np.array(rows, dtype=np.float64)


def _number(field: str, decimal: str, path: Path, line: int) -> float:
    if is_blank(field):
        return float("nan")
    if not is_number(field):
        _complain(field, path, line)
    try:
        return float(field.replace(decimal, "."))
    except ValueError:
        _complain(field, path, line)


def _complain(field: str, path: Path, line: int) -> NoReturn:
    raise InputError(
        "a row cannot be understood", file=path, line=line, expected="a number", found=repr(field)
    )


def _layout_note(layout: Layout, rows: int) -> str:
    sign = "commas as both separator and decimal sign" if layout.joined else (
        f"separated by {_SEPARATOR_NAMES[layout.separator]}"
        + (", decimal comma" if layout.decimal == "," else "")
    )  # fmt: skip
    return f"{rows} rows from line {layout.first_line} on, {sign}"


def _rises(column: FloatArray, *, named: bool = False) -> bool:
    """Mostly increasing, as time does even with gaps and restarts; a name forgives repeats."""
    with np.errstate(invalid="ignore"):
        steps = np.diff(column[~np.isnan(column)])
    forward, backward = (float(np.mean(s > 0)) if s.size else 0.0 for s in (steps, -steps))
    return backward < 0.1 and (forward > 0.45 or (named and forward > 0))


def _counts_rows(column: FloatArray) -> bool:
    if column[0] not in (0, 1):
        return False
    return np.array_equal(column, column[0] + np.arange(column.size))


def _time_column(table: FloatArray, names: Sequence[Heading], interval_known: bool) -> int | None:
    """Position of the time column, None when there is none; a name decides before the shape."""
    for position, heading in enumerate(names):
        time_unit = heading.unit is not None and heading.unit.base == "s"
        by_name = is_time_name(heading.name) and (heading.unit is None or time_unit)
        counts = interval_known and _counts_rows(table[:, position])
        if (time_unit or by_name) and not counts and _rises(table[:, position], named=True):
            return position
    first = table[:, 0]
    if table.shape[1] > 1 and _rises(first) and not _counts_rows(first):
        unit = names[0].unit
        return 0 if unit is None or unit.base == "s" else None
    return None


def _without_index(
    table: FloatArray, names: Sequence[Heading], value_at: list[int], notes: list[str]
) -> list[int]:
    """Drop a first column that only counts the rows."""
    if len(value_at) < 2:
        return value_at
    first = value_at[0]
    if _counts_rows(table[:, first]) and names[first].unit is None:
        notes.append(f"{names[first].name!r} counts the rows and is left out")
        return value_at[1:]
    return value_at


def _even_timing(
    table: FloatArray, given_s: float | None, path: Path, line: int, notes: list[str]
) -> Timing:
    if given_s is None or not 0 < given_s < float("inf"):
        raise InputError(
            "nothing gives the time", file=path, line=line,
            expected="a column of times, or a sample interval in the heading or by --interval",
        )  # fmt: skip
    notes.append(f"no time column; samples every {format_quantity(given_s, 's', 6)}")
    missing = np.asarray(np.isnan(table).all(axis=1), dtype=np.float64)
    return from_interval(len(table), given_s, missing)


def _column_timing(
    table: FloatArray, names: Sequence[Heading], time_at: int, path: Path, line: int,
    notes: list[str],
) -> Timing:  # fmt: skip
    unit = names[time_at].unit or Unit("s", 1.0)
    notes.append(f"time from {names[time_at].name!r}{_in_unit(unit)}")
    times = table[:, time_at] * unit.factor
    if np.isinf(times).any() or np.any(np.abs(times) > _LATEST_S):
        raise InputError("a time is beyond all measure", file=path, line=line)
    found = from_times(times)
    if isinstance(found, str):
        raise InputError(f"the time column is none: {found}", file=path, line=line)
    return found


def _in_unit(unit: Unit) -> str:
    prefix = {1.0: "", 1e-3: "m", 1e-6: "µ", 1e-9: "n", 1e-12: "p", 1e3: "k"}.get(unit.factor)
    return f" in {prefix}{unit.base}" if prefix is not None else ""


def _channels(
    table: FloatArray, names: Sequence[Heading], value_at: list[int], notes: list[str]
) -> list[Channel]:
    channels = []
    for position in value_at:
        heading = names[position]
        unit = heading.unit or Unit("V", 1.0)
        said = _in_unit(unit) if heading.unit else ", no unit given, taken as V"
        notes.append(f"channel from {heading.name!r}{said}")
        samples = table[:, position] * unit.factor
        channels.append(Channel(heading.name, unit.base, samples))
    return channels
