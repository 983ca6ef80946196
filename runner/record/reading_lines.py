"""Every reading of a record as one line each, those of a soak's rows too."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from runner.record.journal import ROW_KIND
from runner.record.rows import BLOCK_KIND

if TYPE_CHECKING:
    from runner.record.reader import Record

__all__ = ["reading_lines"]


def reading_lines(record: Record) -> Iterator[dict[str, Any]]:
    """Journal lines of kind ``reading``, and one such line for each value of a soak's row.

    A place in a row that was not due to be read (ripple is read rarely) is no reading; one that
    was due and failed is an invalid reading with its reason.
    """
    columns: list[dict[str, Any]] = []
    at: dict[str, Any] = {}
    check = ""
    for line in record.lines:
        kind = line["kind"]
        if kind == "reading":
            yield line
        elif kind == "columns":
            columns, check = list(line["columns"]), str(line.get("check", ""))
        elif kind == "stage":
            at = {key: line[key] for key in ("set_v", "load_a") if key in line}
            at["stage"] = line.get("name", "")
        elif kind in (ROW_KIND, BLOCK_KIND):
            rows = line["rows"].lines() if kind == BLOCK_KIND else [line]
            for row in rows:
                yield from _of_row(row, columns, check, at)


def _of_row(
    row: dict[str, Any], columns: list[dict[str, Any]], check: str, at: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    why = row.get("why") or {}
    for number, (column, value) in enumerate(zip(columns, row["v"], strict=False)):
        reason = why.get(str(number))
        if value is None and reason is None:
            continue
        yield {
            "seq": row["seq"], "t_utc": row["t_utc"], "t_read_s": row["t_mono_s"],
            "check": check, "quantity": column["quantity"], "value": value,
            "unit": column["unit"], "instrument": column["instrument"],
            "function": column["function"], "reason": reason, "at": at,
        }  # fmt: skip
