"""Every row of the table shows its hazards, with the currents worked out by hand, and no others.

Sources: the trade's table of bench hazards and its arithmetic (common practice), and cases of
our own; each row names which, and how its numbers were worked out.
"""

from __future__ import annotations

from typing import Any

import pytest

from runner.hookup import judge
from tests.hookup.wirings import bench_of, measured_of, profile_of, wirings

ROWS = wirings()


def test_the_table_is_large_enough_and_half_of_it_is_harmless() -> None:
    assert len(ROWS) >= 60
    assert sum(not row["stops"] for row in ROWS) >= 30
    assert len({row["name"] for row in ROWS}) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=[row["name"] for row in ROWS])
def test_hazards_of_a_wiring(row: dict[str, Any]) -> None:
    verdict = judge(bench_of(row), profile_of(row), measured_of(row))
    assert sorted({h.code for h in verdict.stops}) == row["stops"]
    assert sorted({h.code for h in verdict.asks}) == row["asks"]
    if "notes" in row:
        assert sorted({h.code for h in verdict.notes}) == row["notes"]
    for code, numbers in row.get("numbers", {}).items():
        found = next(h for h in verdict.hazards if h.code == code)
        for name, expected in numbers.items():
            assert found.numbers[name] == pytest.approx(expected, rel=5e-3), (code, name)


@pytest.mark.parametrize("row", ROWS, ids=[row["name"] for row in ROWS])
def test_every_hazard_says_what_to_do_and_defers_where_the_mains_is_concerned(
    row: dict[str, Any],
) -> None:
    for hazard in judge(bench_of(row), profile_of(row), measured_of(row)).hazards:
        assert hazard.sentence.endswith(".")
        assert hazard.remedy.endswith(".")
        assert (hazard.value is None) == (hazard.unit == "")
        assert "safe" not in hazard.sentence.lower()
        if "mains" in hazard.code:
            assert hazard.defers
