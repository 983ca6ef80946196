"""Repeated readings: mean, scatter, and what they are worth when they hang together."""

from __future__ import annotations

import math
from collections.abc import Sequence

from runner.metrology.budget import Line
from runner.metrology.plain import finite

__all__ = ["checked", "mean", "scatter_about_drift", "scatter_line", "standard_deviation"]

LEAST_FOR_DRIFT = 5
"""A line through fewer leaves too little to tell a drift from chance."""


def checked(name: str, values: Sequence[float], *, at_least: int = 1) -> list[float]:
    """Return the values as floats; ValueError when too few or one is not finite."""
    numbers = [float(value) for value in values]
    if len(numbers) < at_least:
        raise ValueError(f"{name}: expected at least {at_least} readings, found {len(numbers)}")
    for place, number in enumerate(numbers):
        finite(f"{name}[{place}]", number)
    return numbers


def mean(values: Sequence[float]) -> float:
    """Arithmetic mean; the sum is exact, so that large offsets cost no digits."""
    return math.fsum(values) / len(values)


def standard_deviation(values: Sequence[float]) -> float:
    """Two-pass sample standard deviation (n - 1); 0 for one value (GUM 4.2.2)."""
    if len(values) < 2:
        return 0.0
    middle = mean(values)
    return math.hypot(*(value - middle for value in values)) / math.sqrt(len(values) - 1)


def scatter_about_drift(
    values: Sequence[float], least_p: float = 0.05
) -> tuple[float, float] | None:
    """Return the standard deviation (n - 2) of evenly spaced values about their line, and its step.

    None when they do not run along one (t test of the slope at `least_p`, GUM H.3 by the middle
    of the values). A steady drift moves the mean to the middle of the time and scatters nothing.
    """
    n = len(values)
    if n < LEAST_FOR_DRIFT:
        return None
    from scipy.special import stdtrit

    steps = [place - (n - 1) / 2 for place in range(n)]
    squares = math.fsum(step * step for step in steps)
    slope = math.fsum(step * value for step, value in zip(steps, values, strict=True)) / squares
    middle = mean(values)
    rest = [value - middle - slope * step for step, value in zip(steps, values, strict=True)]
    deviation = math.hypot(*rest) / math.sqrt(n - 2)
    if abs(slope) * math.sqrt(squares) <= float(stdtrit(n - 2, 1 - least_p / 2)) * deviation:
        return None
    return (deviation, abs(slope)) if slope else None


def scatter_line(
    name: str,
    values: Sequence[float],
    unit: str,
    *,
    n_eff: float | None = None,
    sensitivity: float = 1.0,
) -> Line:
    """Return the type A line of a mean of at least two values (GUM 4.2.3).

    `n_eff` is the number of independent readings they are worth (default: all). With
    correlated readings s itself is too small: E[s^2] = sigma^2 n/(n-1) (1 - 1/n_eff), hence
    u^2 = s^2 (n-1)/n/(n_eff - 1). When they are worth fewer than two, the scatter tells
    nothing and their whole range is taken as a rectangle.
    """
    n = len(values)
    worth = float(n) if n_eff is None else n_eff
    if not 1 <= worth <= n:
        raise ValueError(f"n_eff: expected from 1 to {n}, found {worth!r}")
    middle = mean(values)
    if worth < 2:
        half = (max(values) - min(values)) / 2
        return Line.from_limit(
            name,
            half,
            value=middle,
            unit=unit,
            sensitivity=sensitivity,
            source=f"range of {n} readings that hang together",
        )
    u = standard_deviation(values) * math.sqrt((n - 1) / n / (worth - 1))
    said = f"{n} readings" if worth == n else f"{n} readings worth {worth:.1f} independent"
    return Line(name, "A", u, middle, unit, worth - 1, sensitivity, "t", said)
