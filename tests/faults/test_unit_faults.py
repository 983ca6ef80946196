"""The table of unit faults in ``sim_instruments/README.md`` is what comes out of the demo."""

from __future__ import annotations

import pytest

from sim_instruments.plant import FAULTS
from tests.faults.unit_faults import README, rows_in, try_fault

ROWS = rows_in(README.read_text(encoding="utf-8"))


def test_each_row_is_a_fault_that_was_found() -> None:
    assert set(ROWS) <= set(FAULTS)
    for row in ROWS.values():
        assert "| 1 |" in row


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", list(ROWS))
def test_a_row_is_what_the_demo_says(name: str) -> None:
    assert ROWS[name] == try_fault(name)
