"""Readings as tables: one reading a row, its place in the check in columns of its own."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import TYPE_CHECKING, Any

from reports.inert import inert_text
from runner.errors import InputError
from runner.record.reader import Record
from runner.record.reading_lines import reading_lines

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["COLUMNS", "csv_pieces", "inert_cell", "parquet_bytes", "reading_rows"]

COLUMNS: dict[str, tuple[str, str, str]] = {
    "seq": ("int64", "", "line of the journal"),
    "t_utc": ("string", "", "wall time of the line, UTC, ISO 8601"),
    "t_read_s": ("float64", "s", "middle of the measurement on the run's own clock"),
    "check": ("string", "", "check that read it"),
    "quantity": ("string", "", "what was read"),
    "value": ("float64", "as in column unit", "the reading; empty when invalid"),
    "unit": ("string", "", "unit of value, u and range; SI without prefix"),
    "u": ("float64", "as in column unit", "standard uncertainty from the instrument's accuracy"),
    "dof": ("float64", "", "degrees of freedom of u; empty for infinite or unknown"),
    "reason": ("string", "", "why the reading is invalid"),
    "instrument": ("string", "", "name in the bench file"),
    "function": ("string", "", "function of the instrument"),
    "range": ("float64", "as in column unit", "range of the instrument"),
    "raw": ("string", "", "the reply as received"),
    "set_v": ("float64", "V", "set point"),
    "load_a": ("float64", "A", "load current asked for"),
    "direction": ("string", "", "rising or falling"),
    "at": ("string", "", "the whole place in the check as JSON"),
    "simulated": ("bool", "", "whether the bench was simulated: then nothing real was read"),
}
"""Type, unit and meaning of each column."""

_ROWS_AT_ONCE = 50_000
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def reading_rows(record: Record) -> Iterable[dict[str, Any]]:
    """One row a reading, in the order of the journal, all of ``COLUMNS``."""
    for line in reading_lines(record):
        at = line.get("at") or {}
        row = {name: line.get(name) for name in COLUMNS}
        row["set_v"] = _number(at.get("set_v"))
        row["load_a"] = _number(at.get("load_a"))
        row["direction"] = _text(at.get("direction"))
        row["simulated"] = record.simulated
        row["at"] = json.dumps(at, ensure_ascii=False, sort_keys=True)
        yield row


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def inert_cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula and no terminal for a command.

    Text that begins like a formula gets an apostrophe in front, unless it is a plain number;
    control characters are replaced. Numbers stay numbers.
    """
    if not isinstance(value, str):
        return value
    clean = inert_text(value)
    if value.lstrip(" \n").startswith(_FORMULA_STARTS) and not _is_number(value):
        return "'" + clean
    return clean


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def csv_pieces(record: Record) -> Iterator[bytes]:
    """Yield all readings as CSV (RFC 4180, UTF-8); the column names carry fixed units."""
    yield _csv([list(COLUMNS)])
    for rows in _by_many(reading_rows(record)):
        yield _csv([inert_cell(row[name]) for name in COLUMNS] for row in rows)


def _csv(rows: Iterable[list[Any]]) -> bytes:
    buffer = io.StringIO(newline="")
    csv.writer(buffer).writerows(rows)
    return buffer.getvalue().encode()


def _by_many(rows: Iterable[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    """Parts small enough for memory: a night has two million readings."""
    left = iter(rows)
    while part := list(islice(left, _ROWS_AT_ONCE)):
        yield part


def parquet_bytes(record: Record) -> bytes:
    """Return all readings as Parquet; units and meanings are in the schema's metadata.

    :raises InputError: pyarrow is not installed
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise InputError(
            "Parquet needs the library pyarrow",
            key="--parquet", expected="pip install 'asleft[parquet]'", found="no pyarrow",
        ) from None  # fmt: skip
    schema = _schema(pa, record)
    sink = pa.BufferOutputStream()
    with pq.ParquetWriter(sink, schema) as writer:
        for rows in _by_many(reading_rows(record)):
            arrays = [
                pa.array([_storable(row[field.name]) for row in rows], type=field.type)
                for field in schema
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
    return bytes(sink.getvalue().to_pybytes())


def _storable(value: Any) -> Any:
    """Escape halves of a surrogate pair, which UTF-8 cannot hold; all else stays as it is."""
    if isinstance(value, str):
        return value.encode(errors="backslashreplace").decode()
    return value


def _schema(pa_: Any, record: Record) -> pa.Schema:
    types = {
        "int64": pa_.int64(),
        "float64": pa_.float64(),
        "string": pa_.string(),
        "bool": pa_.bool_(),
    }
    fields = [
        pa_.field(name, types[kind], metadata={"unit": unit, "meaning": meaning})
        for name, (kind, unit, meaning) in COLUMNS.items()
    ]
    return pa_.schema(
        fields,
        metadata={
            "format": "1",
            "simulated": str(record.simulated).lower(),
            "last_hash": record.last_hash,
        },
    )
