"""Pairs the findings of two records and says which differences mean something."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runner.finding import Finding

__all__ = ["Pair", "difference_u", "near", "pair_findings"]

_NUMBER = re.compile(r"[-+−]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_NEAR_REL, _NEAR_ABS = 0.02, 0.02
"""Points count as one when their numbers agree within 2 % or 0.02 (a hand-set point, a load that
took 2.998 A of 3 A)."""

Instruments = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Pair:
    """The same question in two records: ``difference`` = second − first, in the first's unit.

    ``u_expanded`` is that of the difference; ``e_n`` = |difference| / u_expanded (the E_n ratio
    of ISO 13528:2022, 9.7); above 1 the difference is significant. None where a value or an
    uncertainty is missing.
    """

    first: Finding
    second: Finding
    difference: float | None
    u_expanded: float | None
    e_n: float | None

    @property
    def significant(self) -> bool:
        """Whether the records differ by more than the uncertainty of the difference."""
        return self.e_n is not None and self.e_n > 1


def pair_findings(
    first: Sequence[Finding],
    second: Sequence[Finding],
    first_instruments: Instruments,
    second_instruments: Instruments,
) -> tuple[list[Pair], list[Finding], list[Finding]]:
    """Return the pairs, and what is only in the first and only in the second."""
    left = list(second)
    pairs, alone = [], []
    for finding in first:
        partner = _partner(finding, left)
        if partner is None:
            alone.append(finding)
            continue
        left.remove(partner)
        pairs.append(_pair(finding, partner, _common(first_instruments, second_instruments)))
    return pairs, alone, left


def _partner(finding: Finding, candidates: Sequence[Finding]) -> Finding | None:
    alike = [
        one for one in candidates
        if (one.check, one.what) == (finding.check, finding.what)
        and (one.unit == finding.unit or one.value is None or finding.value is None)
    ]  # fmt: skip
    exact = [one for one in alike if one.at == finding.at]
    close = [one for one in alike if near(one.at, finding.at)]
    return next(iter(exact or close), None)


def near(one: str, other: str) -> bool:
    """Whether two places in words are the same but for numbers that nearly agree."""
    if _NUMBER.sub("#", one) != _NUMBER.sub("#", other):
        return False
    numbers = zip(_NUMBER.findall(one), _NUMBER.findall(other), strict=True)
    return all(
        math.isclose(float(a.replace("−", "-")), float(b.replace("−", "-")),
                     rel_tol=_NEAR_REL, abs_tol=_NEAR_ABS)
        for a, b in numbers
    )  # fmt: skip


def _common(first: Instruments, second: Instruments) -> set[str]:
    """Names of instruments that were the same one, not calibrated anew between the records."""
    keys = ("maker", "model", "serial", "calibration_due")

    def identity(line: Mapping[str, Any]) -> tuple[Any, ...]:
        return tuple(line.get(key) for key in keys)

    return {
        name for name in first.keys() & second.keys()
        if first[name].get("serial") and identity(first[name]) == identity(second[name])
    }  # fmt: skip


def _pair(first: Finding, second: Finding, common: set[str]) -> Pair:
    if first.value is None or second.value is None:
        return Pair(first, second, None, None, None)
    difference = second.value - first.value
    u = difference_u(first.budget, second.budget, common)
    if u is None:
        return Pair(first, second, difference, None, None)
    u_expanded = max(first.k or 2.0, second.k or 2.0) * u
    e_n = abs(difference) / u_expanded if u_expanded > 0 else None
    return Pair(first, second, difference, u_expanded, e_n)


def difference_u(
    first: Sequence[Mapping[str, Any]], second: Sequence[Mapping[str, Any]], common: set[str]
) -> float | None:
    """Return the standard uncertainty of second − first from the two budgets' lines.

    Lines that share one error (the same instrument on the same range, by their ``shared`` word
    and by ``common``, the names of instruments that were the same one) are subtracted before
    squaring (GUM 5.2.2 with r = 1); all others are independent. None without a budget.
    """
    if not first or not second:
        return None
    together: dict[str, float] = {}
    apart: list[float] = []
    for sign, lines in ((-1.0, first), (1.0, second)):
        for line in lines:
            contribution = sign * _contribution(line)
            shared = str(line.get("shared") or "")
            if shared and any(_names(shared, name) for name in common):
                together[shared] = together.get(shared, 0.0) + contribution
            else:
                apart.append(contribution)
    return math.hypot(*together.values(), *apart)


def _names(shared: str, instrument: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(instrument)}(?![\w-])", shared) is not None


def _contribution(line: Mapping[str, Any]) -> float:
    if "contribution" in line:
        return float(line["contribution"])
    return float(line.get("u") or 0.0) * float(line.get("sensitivity", 1.0))
