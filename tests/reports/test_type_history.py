"""One record against its type: what is usual, and what the archive is asked for."""

from __future__ import annotations

import json
import math
import statistics
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from reports.catalogue import load_strings
from reports.compare import Side
from reports.html import render_history
from reports.plots.history import plot_history
from reports.type_history import against_type, history_dict, type_history
from runner.cli.compare import compare
from runner.errors import InputError
from runner.record.archive import open_archive
from runner.record.archive_entry import entry_of
from tests.reports import made_record
from tests.reports.hostile import HOSTILE

TEN = [9.8, 10.1, 10.0, 9.9, 10.2, 10.05, 9.95, 10.1, 9.9, 10.0]


def test_what_is_usual_is_a_prediction_interval() -> None:
    # ISO 16269-8:2004, two-sided prediction interval for one further observation, sigma unknown,
    # n = 10, 95 %: k = t(0,975; 9) * sqrt(1 + 1/10) = 2.262 * 1.0488 = 2.373 (t from tables).
    s = statistics.stdev(TEN)
    finding = made_record.finding("c", "w", "", 10.0 + 2.37 * s, u_expanded=0.0)
    found = against_type(finding, TEN)
    assert found.u_expanded == pytest.approx(2.373 * s, rel=1e-3)
    assert not found.unusual
    beyond = made_record.finding("c", "w", "", 10.0 + 2.38 * s, u_expanded=0.0)
    assert against_type(beyond, TEN).unusual


def test_one_healthy_unit_in_twenty_is_called_unusual() -> None:
    # The interval's own meaning, by counting: normal units, six others known.
    rng = np.random.default_rng(5)
    drawn = rng.normal(size=(4000, 7))
    called = [
        against_type(made_record.finding("c", "w", "", float(x[0]), u_expanded=None),
                     [float(v) for v in x[1:]]).unusual
        for x in drawn
    ]  # fmt: skip
    assert np.mean(called) == pytest.approx(0.05, abs=3.5 * math.sqrt(0.05 * 0.95 / 4000))


def test_its_own_uncertainty_widens_it_in_squares() -> None:
    wide = made_record.finding("c", "w", "", 10.0, u_expanded=3.0)
    narrow = made_record.finding("c", "w", "", 10.0, u_expanded=None)
    spread = against_type(narrow, TEN).u_expanded or 0.0
    assert against_type(wide, TEN).u_expanded == pytest.approx(math.hypot(3.0, spread))


def test_two_other_units_say_nothing() -> None:
    found = against_type(made_record.finding("c", "w", "", 99.0), [1.0, 1.1])
    assert (found.mean, found.e_n, found.unusual) == (None, None, False)


@pytest.fixture
def shop(tmp_path: Path) -> str:
    """An archive with five units of one type, one of them twice, one as found."""
    url = f"sqlite:///{tmp_path / 'a.sqlite'}"
    archive = open_archive(url)
    jobs = [("A", "as-left", 1.0), ("A", "as-left", 1.01), ("B", "as-left", 1.02),
            ("C", "as-left", 0.99), ("D", "as-left", 0.98), ("E", "as-found", 5.0)]  # fmt: skip
    for number, (serial, stage, factor) in enumerate(jobs):
        record = made_record.write_record(
            tmp_path / f"r{number}", simulated=False, serial=serial, stage=stage
        )
        found = [
            made_record.finding(f.check, f.what, f.at, f.value and f.value * factor, f.unit)
            for f in made_record.findings()
        ]
        entry = entry_of(record, made_record.assessment(record, found))
        entry.record["begun_utc"] = f"2026-03-{number + 1:02d}T08:00:00+00:00"
        archive.add(entry)
    archive.close()
    return url


def side_of(folder: Path, factor: float) -> Side:
    record = made_record.write_record(folder, simulated=False, serial=HOSTILE["html"])
    found = [
        made_record.finding(f.check, f.what, f.at, f.value and f.value * factor, f.unit,
                            decision=f.decision, u_expanded=None)
        for f in made_record.findings()
    ]  # fmt: skip
    return Side(record, made_record.assessment(record, found))


def test_the_last_as_left_record_of_each_other_unit_counts(shop: str) -> None:
    archive = open_archive(shop)
    rows = archive.type_findings("LB-2403", "B")
    assert {row["serial"] for row in rows} == {"A", "C", "D"}
    ripple = [r["value"] for r in rows if (r["serial"], r["what"]) == ("A", "load effect")]
    assert ripple == [pytest.approx(0.0063 * 1.01)]
    assert archive.type_findings("LB-2403", "B", simulated=True) == []
    assert archive.type_findings("SW-3010", "B") == []
    archive.close()


@pytest.mark.parametrize(("factor", "unusual"), [(1.0, False), (1.5, True)])
def test_a_unit_among_the_others(shop: str, tmp_path: Path, factor: float, unusual: bool) -> None:
    archive = open_archive(shop)
    side = side_of(tmp_path / "own", factor)
    found = type_history(side, archive.type_findings("LB-2403", "X"))
    archive.close()
    plain = json.loads(json.dumps(history_dict(found), allow_nan=False))
    load_effect = next(f for f in plain["findings"] if f["what"] == "load effect")
    assert load_effect["units"] == 4
    assert load_effect["unusual"] is unusual
    page = render_history(found, plot_history(found.found, load_strings()))
    assert "<script>alert" not in page
    assert page.count("<img ") == 4  # a drawing for each check with values


def test_the_command(shop: str, tmp_path: Path) -> None:
    folder = tmp_path / "own"
    made_record.write_record(folder, simulated=False, serial="\x1b[2JQ")
    page = tmp_path / "h.html"
    arguments = [str(folder), "--history", "--archive", shop]
    result = CliRunner().invoke(compare, [*arguments, "--html", str(page)], standalone_mode=False)
    assert result.exception is None
    assert "4 other unit(s)" in result.output
    assert "\x1b" not in result.output
    assert "4 other unit(s)" in page.read_text(encoding="utf-8")
    result = CliRunner().invoke(compare, [*arguments, "--json"], standalone_mode=False)
    assert json.loads(result.output)["format"] == 1


@pytest.mark.parametrize("more", [[], ["b", "--history"]])
def test_one_with_its_type_or_two_with_each_other(more: list[str], tmp_path: Path) -> None:
    result = CliRunner().invoke(compare, [str(tmp_path), *more], standalone_mode=False)
    assert isinstance(result.exception, InputError)
