"""Differences of two records, and what they mean."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from reports.compare import Side, compare_records, overlays, to_dict
from reports.html import render_comparison
from reports.pairing import difference_u, pair_findings
from runner.finding import Decision
from runner.record.reader import Record
from tests.reports import made_record
from tests.reports.hostile import HOSTILE

METER = {
    "meter": {"maker": "Quarrel", "model": "M6", "serial": "1", "calibration_due": "2027-01-01"}
}


def line(u: float, shared: str = "") -> dict[str, Any]:
    return {"name": "x", "kind": "B", "u": u, "sensitivity": 1.0, "shared": shared}


def test_one_standard_in_both_cancels_as_in_gum_5_2_2() -> None:
    # JCGM 100:2008, 5.2.2, example: ten resistors of 1000 Ω compared with one standard of
    # u = 100 mΩ. Their errors are the same error: the sum has u = 1 Ω. Its difference has none.
    resistor = [line(0.1, shared="meter, 1 kΩ range")]
    assert difference_u(resistor, resistor, {"meter"}) == 0


def test_two_standards_add_in_squares() -> None:
    # The same example with independent standards: u of ten is 0,32 Ω; of two, √2 · 0,1 Ω.
    resistor = [line(0.1, shared="meter, 1 kΩ range")]
    assert difference_u(resistor, resistor, set()) == pytest.approx(math.sqrt(2) * 0.1)


def test_another_instrument_of_nearly_the_same_name_does_not_cancel() -> None:
    resistor = [line(0.1, shared="meter-2, 1 kΩ range")]
    assert difference_u(resistor, resistor, {"meter"}) == pytest.approx(math.sqrt(2) * 0.1)


def test_a_meter_calibrated_between_the_records_does_not_cancel() -> None:
    later = {"meter": {**METER["meter"], "calibration_due": "2028-01-01"}}
    budget = [line(1e-3, shared="meter, 100 V range")]
    one = made_record.finding("setting", "error", "at 5 V", 0.0, budget=budget, k=2.0)
    two = made_record.finding("setting", "error", "at 5 V", 0.002, budget=budget, k=2.0)
    (same,), _, _ = pair_findings([one], [two], METER, METER)
    (new,), _, _ = pair_findings([one], [two], METER, later)
    assert same.u_expanded == 0
    assert new.u_expanded == pytest.approx(2 * math.sqrt(2) * 1e-3)


@pytest.mark.parametrize(
    ("difference", "significant"), [(0.0028, False), (0.0029, True), (-0.0029, True)]
)
def test_e_n_of_iso_13528(difference: float, significant: bool) -> None:
    # ISO 13528:2022, 9.7: E_n = (x − X)/√(U_x² + U_X²); |E_n| of 1 is the border. U = 2 mV both.
    budget = [line(1e-3)]
    one = made_record.finding("c", "w", "", 1.0, budget=budget, k=2.0, u_expanded=2e-3)
    two = made_record.finding("c", "w", "", 1.0 + difference, budget=budget, k=2.0, u_expanded=2e-3)
    (pair,), _, _ = pair_findings([one], [two], {}, {})
    assert pair.e_n == pytest.approx(abs(difference) / math.hypot(2e-3, 2e-3))
    assert pair.significant is significant


def test_points_pair_when_load_and_hand_came_close() -> None:
    one = made_record.finding("load-effect", "load effect", "at 24 V, 0 to 2.998 A", 0.006)
    near = made_record.finding("load-effect", "load effect", "at 24 V, 0 to 3.004 A", 0.007)
    far = made_record.finding("load-effect", "load effect", "at 4.8 V, 0 to 3.004 A", 0.001)
    pairs, alone, left = pair_findings([one], [far, near], {}, {})
    assert [pair.second for pair in pairs] == [near]
    assert (alone, left) == ([], [far])


def test_what_was_not_measured_makes_no_difference() -> None:
    one = made_record.finding("c", "w", "", None, decision=Decision.NOT_MEASURED, reason="no meter")
    two = made_record.finding("c", "w", "", 1.0)
    (pair,), _, _ = pair_findings([one], [two], {}, {})
    assert (pair.difference, pair.e_n, pair.significant) == (None, None, False)


@pytest.fixture(scope="module")
def sides(record: Record, tmp_path_factory: pytest.TempPathFactory) -> tuple[Side, Side]:
    folder = tmp_path_factory.mktemp("found") / "r"
    found = made_record.write_record(folder, stage="as-found", serial=HOSTILE["html"])
    worse = [
        made_record.finding(f.check, f.what, f.at, f.value and f.value * 2, f.unit,
                            decision=f.decision, budget=f.budget, u_expanded=f.u_expanded)
        for f in made_record.findings()
    ]  # fmt: skip
    return (
        Side(found, made_record.assessment(found, worse)),
        Side(record, made_record.assessment(record)),
    )


def test_as_found_against_as_left(sides: tuple[Side, Side]) -> None:
    comparison = compare_records(*sides)
    assert len(comparison.pairs) == len(made_record.findings())
    assert (comparison.only_first, comparison.only_second) == ([], [])
    assert comparison.simulated
    plain = json.loads(json.dumps(to_dict(comparison), allow_nan=False))
    assert sum(pair["significant"] for pair in plain["pairs"]) > 5


def test_replaced_parts_end_the_comparison_of_what_they_touch(
    sides: tuple[Side, Side], tmp_path: Path
) -> None:
    # Common practice: a new reference ends the comparison of set points, not that of ripple.
    part = {"place": "IC1", "what": "reference", "touches": ["reference"]}
    left = made_record.write_record(tmp_path / "left", part=[part])
    comparison = compare_records(sides[0], Side(left, made_record.assessment(left)))
    assert comparison.heads == ("As found", "As left")
    assert any("IC1 (reference)" in sentence for sentence in comparison.sentences)
    rows = zip(comparison.pairs, comparison.rows, strict=True)
    by_check = {pair.first.check: row for pair, row in rows}
    assert (by_check["setting"].void, by_check["setting"].significant) == ("IC1", False)
    assert by_check["ripple"].void == ""
    assert "not comparable (IC1)" in render_comparison(comparison, [])


def test_the_page_has_its_overlays_and_obeys_nothing(sides: tuple[Side, Side]) -> None:
    plots = overlays(*sides)
    assert [plot.check for plot in plots] == [
        "setting",
        "load-effect",
        "tap-map",
        "tap-map",
        "ripple",
    ]
    html = render_comparison(compare_records(*sides), plots)
    assert "<script>alert" not in html
    assert html.count("<img ") == 5
    assert "SIMULATED" in html


def test_the_command(folder: Path, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from runner.cli.compare import compare

    other = tmp_path / "other"
    made_record.write_record(other, stage="as-found", serial="\x1b[2Jx")
    page = tmp_path / "c.html"
    result = CliRunner().invoke(
        compare, [str(other), str(folder), "--html", str(page)], standalone_mode=False
    )
    assert result.exception is None
    assert "\x1b" not in result.output
    assert page.exists()
    result = CliRunner().invoke(compare, [str(other), str(folder), "--json"], standalone_mode=False)
    assert json.loads(result.output)["format"] == 1
