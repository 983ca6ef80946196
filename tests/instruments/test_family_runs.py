"""Checks run with a twin of each family on the bench, against the plain bench's findings."""

from __future__ import annotations

import pytest

from tests.instruments.family_runs import README, ROLES, outcome

CASES = [
    pytest.param(role, family, id=family, marks=[] if family in one.sampled else [pytest.mark.slow])
    for role, one in ROLES.items()
    for family in one.families
]


@pytest.mark.parametrize(("role", "family"), CASES)
def test_findings_agree_within_their_uncertainty(role: str, family: str) -> None:
    seen = outcome(role, family)
    assert seen.wrong == []
    assert seen.compared >= 3


def test_the_table_names_every_family() -> None:
    rows = README.read_text(encoding="utf-8").splitlines()
    for role, one in ROLES.items():
        for family in one.families:
            assert any(row.startswith(f"| {role} | {family} |") for row in rows), family
