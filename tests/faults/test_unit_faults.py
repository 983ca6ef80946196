"""The table of unit faults in ``sim_instruments/README.md`` is complete and is what comes out."""

from __future__ import annotations

import pytest

from sim_instruments.plant import FAULTS
from tests.faults.unit_faults import README, rows_in, try_fault


def test_every_fault_has_its_row() -> None:
    assert list(rows_in(README.read_text(encoding="utf-8"))) == list(FAULTS)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", list(FAULTS))
def test_a_row_is_what_the_demo_says(name: str) -> None:
    assert rows_in(README.read_text(encoding="utf-8"))[name] == try_fault(name)
