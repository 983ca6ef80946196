"""The tables of unit faults in ``sim_instruments/README.md`` are what comes out of the demo."""

from __future__ import annotations

import pytest

from sim_instruments.plant import FAULTS
from tests.faults.unit_faults import HEALTHY, README, results, tables, try_fault

FOUND = results()


def test_the_readme_shows_the_stored_results() -> None:
    assert tables(FOUND) in README.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", HEALTHY)
def test_healthy_units_pass(name: str) -> None:
    assert FOUND[name]["exit"] == 0
    assert set(FOUND[name]["checks"].values()) == {"pass"}


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_found_by_a_check(name: str) -> None:
    assert FOUND[name]["exit"] == 1
    assert "fail" in FOUND[name]["checks"].values()


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", [*HEALTHY, *FAULTS])
def test_a_row_is_what_the_demo_says(name: str) -> None:
    assert FOUND[name] == try_fault(name)
