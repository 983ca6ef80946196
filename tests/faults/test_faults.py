"""Every field bug: the outcome that is due under the fault, and that of its no-fault twin."""

from __future__ import annotations

import pytest

from tests.faults import (
    blocks,
    ending,
    framing,
    load_faults,
    meter_faults,
    scope_meaning,
    step,
    transport,
    values,
    visa_calls,
)
from tests.faults.harness import CASES, Case

__all__: list[str] = []
SECTIONS = [
    framing,
    step,
    values,
    visa_calls,
    blocks,
    scope_meaning,
    meter_faults,
    load_faults,
    transport,
    ending,
]


@pytest.mark.parametrize("one", CASES, ids=lambda one: one.number)
def test_fault(one: Case) -> None:
    assert one.fault() == one.fault_due


@pytest.mark.parametrize("one", CASES, ids=lambda one: one.number)
def test_twin(one: Case) -> None:
    assert one.twin() == one.twin_due


def test_table_is_up_to_date() -> None:
    from tests.faults.outcomes import README, table

    assert README.read_text(encoding="utf-8") == table()


def test_every_number_of_the_list_is_there() -> None:
    """The list of field bugs runs from 01 to 93 with the gaps below."""
    skipped = {8, 28, 30, 36, 44, 57, 61, 67, 72, 73, 83, 90}
    have = {int(one.number[1:3]) for one in CASES}
    assert have == set(range(1, 94)) - skipped
