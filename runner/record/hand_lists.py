"""Old lists written by hand become a record, marked as such.

A list is a CSV file whose header names quantities with their units: ``set [V]; output [V]; load
[A]``. Comma, semicolon or tab; decimal point or comma. Each measured cell becomes one reading;
``set``, ``load`` and ``direction`` become its place. A cell that is not a number becomes an
invalid reading with the cell as its reason. Nothing is guessed beyond that: the accuracy of
whatever was read is unknown, so findings of such a record are conditional at best.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner.clock import Clock
from runner.errors import InputError
from runner.job import Job
from runner.profile import Profile
from runner.quantity import parse_quantity
from runner.reading import Reading
from runner.record.reader import Record, open_record
from runner.record.writer import CheckWriter, RecordWriter

__all__ = ["import_lists"]

_HEADER = re.compile(r"^\s*([A-Za-z][A-Za-z ./_-]*?)\s*[\[(]\s*([^\])]+?)\s*[\])]\s*$")
_PLACES = {"set": ("set_v", "V"), "load": ("load_a", "A")}
_MEASURED = {
    "output": ("output-voltage", "V"),
    "panel": ("panel-voltage", "V"),
    "current": ("load-current", "A"),
    "ripple pp": ("ripple-pp", "V"),
    "ripple rms": ("ripple-rms", "V"),
    "line": ("line-voltage", "V"),
    "temperature": ("ambient-temperature", "°C"),
}
_MOST_BYTES = 50_000_000


@dataclass(frozen=True, slots=True)
class _Column:
    """What a column holds: key or quantity, SI unit, factor to it, and whether it is a place."""

    name: str
    unit: str
    factor: float
    place: bool


def import_lists(
    files: Sequence[Path], profile: Profile, job: Job, folder: Path, clock: Clock
) -> Record:
    """Write a new record from lists; all files are read before anything is written.

    :raises InputError: a file is no such list; with file, line, expected and found
    :raises RecordError: the folder exists or cannot be written
    """
    if not files:
        raise InputError("there is nothing to import", expected="at least one CSV file")
    tables = [(path, list(_readings(path))) for path in files]
    writer = RecordWriter(folder, clock)
    try:
        writer.header(
            simulated=False,
            imported=True,
            profile=profile.model_dump(mode="json"),
            bench={"name": "written by hand, imported"},
            job=job.model_dump(mode="json"),
            options={"imported": [path.name for path in files]},
        )
        writer.write("check-start", check="setting", question="")
        log = CheckWriter(writer, "setting", lambda *_: None)
        for path, readings in tables:
            log.note(f"imported from {path.name}, {len(readings)} readings written by hand")
            for reading in readings:
                log.reading(reading)
        writer.write("check-end", check="setting")
        writer.write("end", how="complete", reason="imported")
    finally:
        writer.close()
    return open_record(folder)


def _readings(path: Path) -> Iterator[Reading]:
    rows = _rows(path)
    header = next(rows, None)
    if header is None:
        raise InputError("the list is empty", file=path, expected="a header and rows")
    columns = [_column(path, cell) for cell in header[1]]
    if not any(column and not column.place for column in columns):
        raise InputError(
            "no column of measured values was recognised", file=path, line=header[0],
            expected="one of " + ", ".join(f"{n} [{u}]" for n, (_, u) in _MEASURED.items()),
            found=", ".join(header[1]),
        )  # fmt: skip
    last_set: float | None = None
    for number, cells in rows:
        if len(cells) != len(columns):
            raise InputError(
                "this row has another number of cells than the header", file=path, line=number,
                expected=str(len(columns)), found=str(len(cells)),
            )  # fmt: skip
        at = _place(columns, cells, last_set)
        last_set = at["set_v"] if isinstance(at.get("set_v"), float) else last_set
        for column, cell in zip(columns, cells, strict=True):
            if column is not None and not column.place:
                yield _reading(column, cell, at)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Line numbers and cells of the rows that are not empty."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError("the list is too long", file=path, expected="at most 50 MB")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"the list cannot be read ({error.strerror})", file=path) from None
    except UnicodeDecodeError:
        raise InputError("the list is not text", file=path, expected="UTF-8") from None
    first = text.partition("\n")[0]
    delimiter = max(";\t,", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as error:
        raise InputError(f"this is not CSV ({error})", file=path, line=reader.line_num) from None


def _column(path: Path, cell: str) -> _Column | None:
    """Return what a header cell names, None for a column that is left out (a remark)."""
    if cell.strip().lower() == "direction":
        return _Column("direction", "", 1.0, True)
    match = _HEADER.match(cell)
    name = match[1].lower() if match else cell.lower()
    known = {**_PLACES, **_MEASURED}
    if name not in known:
        return None
    key, unit = known[name]
    if match is None:
        raise InputError(
            "this column has no unit", file=path, line=1, expected=f"{name} [{unit}]", found=cell
        )
    return _Column(key, unit, _factor(path, cell, match[2], unit), name in _PLACES)


def _factor(path: Path, cell: str, written: str, unit: str) -> float:
    if written == unit:
        return 1.0
    try:
        return parse_quantity(f"1 {written}", unit)
    except ValueError:
        raise InputError(
            "this column has another unit", file=path, line=1, expected=unit, found=cell
        ) from None


def _number(cell: str) -> float | None:
    text = cell.replace("−", "-").replace(" ", "")
    if "," in text and "." not in text:
        text = text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _place(
    columns: Sequence[_Column | None], cells: Sequence[str], last_set: float | None
) -> dict[str, Any]:
    at: dict[str, Any] = {}
    for column, cell in zip(columns, cells, strict=True):
        if column is None or not column.place:
            continue
        value = _number(cell)
        if column.name == "direction":
            at["direction"] = cell.lower()
        elif value is not None:
            at[column.name] = value * column.factor
    if "direction" not in at or at["direction"] not in {"rising", "falling"}:
        falling = last_set is not None and at.get("set_v", last_set) < last_set
        at["direction"] = "falling" if falling else "rising"
    return at


def _reading(column: _Column, cell: str, at: dict[str, Any]) -> Reading:
    value = _number(cell)
    return Reading(
        column.name,
        None if value is None else value * column.factor,
        column.unit,
        "written by hand",
        "hand",
        raw=cell,
        reason=None if value is not None else f"the cell says {cell!r}" if cell else "empty cell",
        at=at,
    )
