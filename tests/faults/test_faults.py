"""Every field bug: the outcome that is due under the fault, and that of its no-fault twin."""

from __future__ import annotations

import pytest

from tests.faults import (
    blocks, ending, framing, load_faults, meter_faults, scope_meaning, step, transport, values,
)  # fmt: skip
from tests.faults.harness import CASES, Case

__all__: list[str] = []
SECTIONS = [framing, step, values, blocks, scope_meaning, meter_faults, load_faults, transport, ending]


@pytest.mark.parametrize("one", CASES, ids=lambda one: one.number)
def test_fault(one: Case) -> None:
    assert one.fault() == one.fault_due


@pytest.mark.parametrize("one", CASES, ids=lambda one: one.number)
def test_twin(one: Case) -> None:
    assert one.twin() == one.twin_due
