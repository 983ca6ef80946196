"""Rows read together are those that were written; whatever is odd is read line by line."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import runner.record.rows
from runner.clock import VirtualClock
from runner.record.journal import FIRST_PREV, JOURNAL_NAME, Journal, line_hash
from runner.record.reader import Record, open_record
from runner.record.rows import BLOCK_KIND, Rows

FINITE = st.floats(allow_nan=False, allow_infinity=False)
PLAIN = st.builds(
    lambda digits, places: float(f"{digits}e-{places}"),
    st.integers(-(10**12), 10**12), st.integers(0, 9),
)  # fmt: skip
"""Decimal numbers of up to twelve digits, as instruments send them."""


def written(folder: Path, rows: list[list[float | None]], **more: Any) -> None:
    journal = Journal(folder, VirtualClock(datetime(2026, 1, 1, tzinfo=UTC)), flush_every_s=9.0)
    journal.write("record", format=1, simulated=True)
    for row in rows:
        journal.write("s", v=row, **more)
    journal.write("end", how="complete")
    journal.close()


@pytest.fixture(autouse=True)
def few_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runner.record.rows, "LEAST_ROWS", 1)


def blocks(record: Record) -> list[Rows]:
    return [line["rows"] for line in record.lines if line["kind"] == BLOCK_KIND]


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 4).flatmap(
    lambda width: st.lists(
        st.lists(st.none() | FINITE | PLAIN, min_size=width, max_size=width),
        min_size=1, max_size=20,
    )
))  # fmt: skip
def test_every_number_comes_back_as_json_reads_it(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[float | None]]
) -> None:
    folder = tmp_path_factory.mktemp("rows")
    written(folder / "r", rows)
    record = open_record(folder / "r")
    assert record.problems == []
    plain = [json.loads(x) for x in (folder / "r" / JOURNAL_NAME).read_bytes().splitlines()]
    assert list(record.of_kind("s")) == plain[1:-1]
    for block in blocks(record):
        lines = list(block.lines())
        due = np.array([line["v"] for line in lines], dtype=float)
        np.testing.assert_array_equal(block.values, due)
        assert block.t_mono_s.tolist() == [line["t_mono_s"] for line in lines]
    assert record.line_count == len(rows) + 2
    assert record.last_line["kind"] == "end"


@settings(max_examples=60, deadline=None)
@given(st.lists(PLAIN | st.none(), min_size=1, max_size=6))
def test_numbers_as_instruments_send_them_are_all_read_together(
    tmp_path_factory: pytest.TempPathFactory, row: list[float | None]
) -> None:
    folder = tmp_path_factory.mktemp("rows") / "r"
    written(folder, [row, row])
    (block,) = blocks(open_record(folder))
    np.testing.assert_array_equal(block.values, np.array([row, row], dtype=float))


def test_a_row_with_reasons_parts_the_runs(tmp_path: Path) -> None:
    clock = VirtualClock(datetime(2026, 1, 1, tzinfo=UTC))
    journal = Journal(tmp_path / "r", clock)
    journal.write("record", format=1, simulated=True)
    for number in range(9):
        clock.sleep(1.0)
        if number == 4:
            journal.write("s", v=[None], why={"0": "no answer"})
        else:
            journal.write("s", v=[float(number)])
    journal.close()
    record = open_record(tmp_path / "r")
    assert [line["kind"] for line in record.lines] == ["record", BLOCK_KIND, "s", BLOCK_KIND]
    assert [line["t_mono_s"] for line in record.of_kind("s")] == [float(n) for n in range(1, 10)]
    assert record.last_line["v"] == [8.0]
    assert (record.line_count, record.problems) == (10, [])


def chained(bodies: list[bytes]) -> list[bytes]:
    """Lines with a good chain, whatever else is in them."""
    prev, lines = FIRST_PREV, []
    for number, body in enumerate(bodies):
        line = b'{"seq":%d,%b,"prev":"%b"}' % (number, body, prev.encode())
        lines.append(line)
        prev = line_hash(line)
    return lines


ROW = b'"t_utc":"2026-01-01T00:00:00.000+00:00","t_mono_s":%b,"kind":"s","v":[%b]'


@pytest.mark.parametrize(
    "odd",
    [
        ROW % (b"1.0", b"1.0,2.0"),  # one value too many
        ROW % (b"1.0", b""),
        ROW % (b"1.0", b"nul"),
        ROW % (b"1.0", b"01"),
        ROW % (b"1.0", b"1."),
        ROW % (b"1.0", b".5"),
        ROW % (b"1.0", b"-"),
        ROW % (b"1.0", b"1e"),
        ROW % (b"1.0", b"+1"),
        ROW % (b"", b"1.0"),
        ROW % (b"1.0", b"1.0") + b',"why":{"0":"x"}',
        ROW % (b"1.0", b"1,,2"),
        ROW % (b"1.0", b"1-2"),
        ROW % (b"1.0", b'"x"'),
        ROW % (b"1.0", b"[1.0]"),
        ROW % (b"1.0", b'1.0],"v":[2.0'),
        (ROW % (b"1.0", b"1.0")).replace(b"T00", b'"00'),
        b'"t_utc":"x","kind":"rows","rows":5',
    ],
)
def test_what_is_shaped_otherwise_is_left_to_the_reader(odd: bytes, tmp_path: Path) -> None:
    header = b'"t_utc":"","t_mono_s":0.0,"kind":"record","format":1,"simulated":true'
    lines = chained([header, ROW % (b"0.5", b"1.0"), odd, ROW % (b"2.0", b"1.0")])
    (tmp_path / JOURNAL_NAME).write_bytes(b"".join(line + b"\n" for line in lines))
    record = open_record(tmp_path)
    good = [line for line in record.of_kind("s") if line["v"] == [1.0]]
    assert len(good) >= 2
    assert [block.values.tolist() for block in blocks(record)] == [[[1.0]], [[1.0]]]


@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_changed_row_is_told(at: int, tmp_path: Path) -> None:
    written(tmp_path / "r", [[1.0], [2.0], [3.0]])
    path = tmp_path / "r" / JOURNAL_NAME
    lines = path.read_bytes().splitlines(keepends=True)
    lines[at] = lines[at].replace(b'"v":[', b'"v":[9')
    path.write_bytes(b"".join(lines))
    assert "altered" in " ".join(open_record(tmp_path / "r").problems)
