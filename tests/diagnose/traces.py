"""Whether both faults of a pair can be seen in its record: each against the unit with the other.

A shorted pass transistor hides nearly all that could be wrong beside it: such a record holds one
fault, whatever the unit has. So the unit of a pair is also run with either fault alone
(``HALVES_FROM``). A fault leaves a trace when with it some quantity fails that does not fail in
the unit that has only the other one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tests.diagnose.generate import HALVES_FROM, PAIRS_FROM

if TYPE_CHECKING:
    from tests.diagnose.prove import Case

__all__ = ["traced"]


def traced(cases: Sequence[Case]) -> dict[int, bool]:
    """Numbers of the pairs whose halves are both there, and whether both faults leave a trace."""
    by_number = {case.number: case for case in cases if not case.luck}
    found = {}
    for number, pair in by_number.items():
        halves = [by_number.get(number - PAIRS_FROM + first) for first in HALVES_FROM]
        if len(pair.causes) == 2 and None not in halves:
            failing = _failing(pair)
            found[number] = all(failing - _failing(half) for half in halves if half)
    return found


def _failing(case: Case) -> set[tuple[str, str]]:
    return {(finding.check, finding.what) for finding in case.failed}
