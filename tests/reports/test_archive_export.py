"""The exported archive and the three questions, against counting by hand."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from statistics import median
from typing import Any

import duckdb
import pytest

from reports.archive_export import QUERIES, export_archive, query_text
from runner.errors import InputError
from runner.record.archive import open_archive
from runner.record.archive_entry import Entry
from tests.reports.hostile import HOSTILE
from tests.reports.made_entries import WALKING, entries

MADE = list(entries(600))


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("archive")
    archive = open_archive(f"sqlite:///{base / 'a.sqlite'}")
    archive.add_many(MADE)
    assert export_archive(archive, base / "out") == 600
    archive.close()
    return base / "out"


def ask(name: str, folder: Path) -> list[dict[str, Any]]:
    result = duckdb.sql(query_text(name, folder))
    return [dict(zip(result.columns, row, strict=True)) for row in result.fetchall()]


def test_it_is_split_by_model_and_year(exported: Path) -> None:
    names = {p.name for p in (exported / "findings").iterdir()}
    assert names == {f"unit_model={m}" for m in ("LB-2403", "LB-3605", "KN-1502", "SW-3010")}
    assert {p.name for p in (exported / "findings" / "unit_model=LB-2403").iterdir()} == {
        "year=2024", "year=2025", "year=2026",
    }  # fmt: skip


def test_which_model_fails_which_check(exported: Path) -> None:
    worst = ask("which_model_fails_which_check", exported)[0]
    assert (worst["unit_model"], worst["check_name"]) == ("KN-1502", "ripple")
    mine = [
        r
        for e in MADE
        for r in e.outcomes
        if (r["model"], r["check_name"]) == ("KN-1502", "ripple")
    ]
    failed = sum(r["decision"] == "fail" for r in mine)
    assert (worst["records"], worst["failed"]) == (len(mine), failed)
    assert worst["share"] == pytest.approx(failed / len(mine))


def test_own_meter_against_the_others(exported: Path) -> None:
    rows = ask("own_meter_against_the_others", exported)
    sums: dict[tuple[str, str], list[float]] = defaultdict(list)
    for entry in MADE:
        place = (entry.instruments[0]["serial"], entry.record["begun_utc"][:4])
        sums[place] += [r["value"] for r in entry.findings if r["check_name"] == "setting"]
    for row in rows:
        own = sums[row["meter"], str(row["year"])]
        others = [
            v
            for (m, y), vs in sums.items()
            if m != row["meter"] and y == str(row["year"])
            for v in vs
        ]
        assert row["mean_error_v"] == pytest.approx(sum(own) / len(own))
        assert row["others_v"] == pytest.approx(sum(others) / len(others))
    away = {(r["meter"], str(r["year"])): r["mean_error_v"] - r["others_v"] for r in rows}
    assert max(away, key=lambda place: abs(away[place])) == (WALKING, "2026")


def test_margins_over_years(exported: Path) -> None:
    rows = ask("margins_over_years", exported)
    chosen = next(
        r for r in rows
        if (r["unit_model"], str(r["year"]), r["check_name"]) == ("SW-3010", "2025", "setting")
    )  # fmt: skip

    def wanted(entry: Entry) -> bool:
        record = entry.record
        return (record["model"], record["begun_utc"][:4], record["stage"]) == (
            "SW-3010", "2025", "as-left",
        )  # fmt: skip

    used = [abs(e.findings[0]["value"]) / 0.02 for e in MADE if wanted(e)]
    assert chosen["records"] == len(used)
    assert chosen["median_share"] == pytest.approx(median(used))
    assert chosen["worst_share"] == pytest.approx(max(used))


@pytest.mark.parametrize("name", ["path", "formula", "lines", "html"])
def test_a_hostile_model_leads_nowhere_else(name: str, tmp_path: Path) -> None:
    (entry,) = entries(1)
    for row in (entry.record, *entry.outcomes):
        row["model"] = HOSTILE[name]
    archive = open_archive(f"sqlite:///{tmp_path / 'a.sqlite'}")
    archive.add(entry)
    export_archive(archive, tmp_path / "deep" / "out")
    archive.close()
    assert {p.name for p in tmp_path.iterdir()} <= {
        "a.sqlite",
        "deep",
        "a.sqlite-wal",
        "a.sqlite-shm",
    }
    assert {p.name for p in (tmp_path / "deep").iterdir()} == {"out"}
    (row,) = ask("which_model_fails_which_check", tmp_path / "deep" / "out")[:1]
    assert row["unit_model"] == HOSTILE[name]


def test_queries_are_named_and_exports_do_not_overwrite(exported: Path) -> None:
    assert len(QUERIES) == 3
    with pytest.raises(InputError, match="no such query"):
        query_text("../x", exported)
    archive = open_archive("sqlite://")
    with pytest.raises(InputError, match="not empty"):
        export_archive(archive, exported)
    archive.close()
