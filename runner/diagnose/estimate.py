"""One part of the unit in numbers, or the reason why the readings do not give it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from runner.metrology.dispersion import Dispersion
from runner.quantity import format_quantity

__all__ = ["COVERAGE", "Estimate", "about", "estimate_text", "not_from_these", "root_sum"]

COVERAGE = 0.95
"""Share of true values that an interval is to hold."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A quantity between ``low`` and ``high`` (95 %), by which formula.

    ``value`` None with limits is a bound; without limits nothing can be said, and ``reason`` tells
    why and which measurement would give it.
    """

    name: str
    what: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    formula: str
    reason: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


def about(
    name: str, what: str, value: float, spread: Dispersion, unit: str, formula: str,
    reason: str = "",
) -> Estimate:  # fmt: skip
    """Estimate with the place of its true value; what cannot be negative starts at zero.

    U = k·u, k from the distribution where limits of error rule it (EA-4/02 M, S9 and S10).
    """
    wide = spread.k(COVERAGE) * spread.u
    low = max(value - wide, 0.0) if value > 0.0 else value - wide
    return Estimate(name, what, value, low, value + wide, unit, formula, reason)


def not_from_these(name: str, what: str, unit: str, reason: str) -> Estimate:
    """Say that the readings do not give it."""
    return Estimate(name, what, None, None, None, unit, "", reason)


def estimate_text(one: Estimate) -> str:
    """Return value and interval as a repairer reads them."""
    if one.low is None or one.high is None:
        return f"{one.what}: {one.reason}"
    low, high = (_written(x, one.unit) for x in (one.low, one.high))
    if one.value is None:
        return f"{one.what}: at most {high}" + (f"; {one.reason}" if one.reason else "")
    text = f"{one.what}: {_written(one.value, one.unit)} ({low} .. {high})"
    return text + (f", {one.reason}" if one.reason else "")


def _written(value: float, unit: str) -> str:
    return format_quantity(value, unit, 3).replace("uF", "µF")


def root_sum(parts: Sequence[float]) -> float:
    """Root of the sum of squares of independent standard uncertainties."""
    return math.sqrt(sum(one * one for one in parts))
