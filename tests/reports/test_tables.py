"""Readings as CSV and Parquet, read back by other people's programs."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.tables import COLUMNS, csv_pieces, inert_cell, parquet_bytes
from runner.clock import VirtualClock
from runner.reading import Reading
from runner.record.reader import Record, open_record
from runner.record.writer import CheckWriter, RecordWriter
from tests.reports.hostile import HOSTILE
from tests.reports.made_record import START
from tests.soak.light_bench import LightBench, light_plan, soak_on


def csv_text(record: Record) -> bytes:
    return b"".join(csv_pieces(record))


def test_csv_has_every_reading_once(record: Record) -> None:
    frame = pd.read_csv(io.BytesIO(csv_text(record)))
    lines = list(record.of_kind("reading"))
    assert list(frame.columns) == list(COLUMNS)
    assert frame["seq"].tolist() == [line["seq"] for line in lines]
    assert frame["value"].isna().sum() == 1
    assert frame.loc[frame["value"].isna(), "reason"].tolist() == ["overload"]
    assert bool(frame["simulated"].all())


def test_csv_values_are_the_journals_to_the_last_digit(record: Record) -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text(record).decode(), newline="")))
    for row, line in zip(rows, record.of_kind("reading"), strict=True):
        assert (float(row["value"]) if row["value"] else None) == line["value"]


def test_parquet_carries_units_in_its_schema(record: Record, tmp_path: Path) -> None:
    path = tmp_path / "r.parquet"
    path.write_bytes(parquet_bytes(record))
    schema = pq.read_schema(path)
    assert {f.name: f.metadata[b"unit"].decode() for f in schema}["set_v"] == "V"
    assert schema.metadata[b"simulated"] == b"true"
    assert schema.metadata[b"last_hash"].decode() == record.last_hash


def test_duckdb_reads_the_parquet_in_place(record: Record, tmp_path: Path) -> None:
    path = tmp_path / "r.parquet"
    path.write_bytes(parquet_bytes(record))
    found = duckdb.sql(
        f"select \"check\", count(*), max(abs(value - set_v)) from '{path}'"
        " where quantity = 'output-voltage' and direction is not null group by 1"
    ).fetchall()
    assert [(c, n) for c, n, _ in found] == [("setting", 23)]
    assert 0.015 < found[0][2] < 0.03


@pytest.mark.parametrize("name", [n for n in sorted(HOSTILE) if n.startswith("formula")])
def test_formulas_lose_their_start(name: str) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
    assert inert_cell(HOSTILE[name]).startswith("'")


@pytest.mark.parametrize("number", ["-1.5", "+2.5E-03", "-0", "1e9"])
def test_plain_numbers_are_left_alone(number: str) -> None:
    assert inert_cell(number) == number


@given(st.text())
def test_no_text_can_begin_like_a_formula_or_steer_a_terminal(text: str) -> None:
    cell = inert_cell(text)
    assert all(c.isprintable() or c == "\n" for c in cell)
    if cell[:1] in set("=+-@"):
        float(cell)


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_readings_are_inert_in_csv_and_whole_in_parquet(name: str, tmp_path: Path) -> None:
    text = HOSTILE[name]
    folder = tmp_path / "r"
    writer = RecordWriter(folder, VirtualClock(START))
    writer.header(simulated=True, profile={}, bench={}, job={})
    log = CheckWriter(writer, "setting", lambda *_: None)
    log.reading(Reading(text, None, text, text, text, raw=text, reason=text), direction=text)
    writer.close()
    record = open_record(folder)
    row = next(csv.DictReader(io.StringIO(csv_text(record).decode(), newline="")))
    for column in ("quantity", "unit", "raw", "reason", "direction"):
        assert not row[column].lstrip(" \n").startswith(("=", "+", "-", "@"))
        assert "\x1b" not in row[column]
    table = pq.read_table(io.BytesIO(parquet_bytes(record)))
    assert table["raw"].to_pylist() == [text]


def test_each_value_of_a_soak_is_a_reading_of_its_own(tmp_path: Path) -> None:
    bench = LightBench()
    bench.before_row = lambda b: b.silent.add("thermometer") if b.read_count > 30 else None
    soak_on(bench, tmp_path / "r", light_plan(600.0, 10.0, ("hold",)))
    record = open_record(tmp_path / "r")
    (columns,) = (line["columns"] for line in record.of_kind("columns"))
    by_hand = [
        (line["seq"], column["quantity"], value, (line.get("why") or {}).get(str(i)))
        for line in record.of_kind("s")
        for i, (column, value) in enumerate(zip(columns, line["v"], strict=True))
        if value is not None or str(i) in (line.get("why") or {})
    ]
    frame = pd.read_csv(io.BytesIO(csv_text(record)))
    mine = frame[frame["check"] == "soak"]
    assert len(by_hand) > 200
    assert mine["seq"].tolist() == [seq for seq, *_ in by_hand]
    assert mine["quantity"].tolist() == [quantity for _, quantity, *_ in by_hand]
    np.testing.assert_array_equal(
        mine["value"].to_numpy(), np.array([v for *_, v, _ in by_hand], dtype=float)
    )
    assert mine["reason"].notna().sum() == sum(why is not None for *_, why in by_hand) > 0
    assert set(mine["set_v"]) == {24.0}
    table = pq.read_table(io.BytesIO(parquet_bytes(record)))
    assert table["seq"].to_pylist() == frame["seq"].tolist()


def test_half_a_surrogate_pair_breaks_no_table(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    writer = RecordWriter(folder, VirtualClock(START))
    writer.header(simulated=True, profile={}, bench={}, job={})
    writer.write("reading", check="setting", quantity="x", value=1.0, unit="V", raw="MARK")
    writer.close()
    path = folder / "journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"MARK", b"\\ud800"))
    record = open_record(folder)
    table = pq.read_table(io.BytesIO(parquet_bytes(record)))
    assert table["raw"].to_pylist() == ["\\ud800"]
    csv_text(record).decode()
