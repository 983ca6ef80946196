"""Divisors of limits, t factors, effective degrees of freedom (JCGM 100:2008, annex G)."""

from __future__ import annotations

import math
import re

__all__ = [
    "check_coverage",
    "check_dof",
    "divisor",
    "effective_dof",
    "t_factor",
    "trapezoid_divisor",
    "whole",
]

_NORMAL = re.compile(r"normal-k(\d+(?:\.\d+)?)")
_DIVISORS = {
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "u-shaped": math.sqrt(2),
}


def divisor(form: str) -> float:
    """Return what a half-width is divided by to give a standard uncertainty.

    `form` is rectangular, triangular, u-shaped (GUM 4.3.7-4.3.9, F.2.2.1) or normal-k<number>
    (a limit stated with a coverage factor, GUM 4.3.3). Raises ValueError for another word.
    """
    if form in _DIVISORS:
        return _DIVISORS[form]
    match = _NORMAL.fullmatch(form)
    if match is None or float(match[1]) <= 0:
        raise ValueError(
            "coverage: expected rectangular, triangular, u-shaped or normal-k<number> "
            f"as in normal-k2, found {form!r}"
        )
    return float(match[1])


def trapezoid_divisor(beta: float) -> float:
    """Return the divisor of a symmetric trapezoid's half-width (GUM 4.3.9, eq. 9a).

    `beta` is the top's width over the base's, from 0 (triangle) to 1 (rectangle).
    """
    if not 0 <= beta <= 1:
        raise ValueError(f"beta: expected a number from 0 to 1, found {beta!r}")
    return math.sqrt(6 / (1 + beta * beta))


def t_factor(coverage: float, dof: float) -> float:
    """Return the two-sided t factor; fractional `dof` is rounded down (GUM G.4.1, G.6.4)."""
    check_coverage(coverage)
    check_dof(dof)
    from scipy.special import ndtri, stdtrit

    if math.isinf(dof):
        return float(ndtri((1 + coverage) / 2))
    return float(stdtrit(whole(dof), (1 + coverage) / 2))


def effective_dof(parts: list[tuple[float, float]]) -> float:
    """Return the Welch-Satterthwaite degrees of freedom (GUM eq. G.2b), infinite if none finite.

    `parts`: independent (contribution to the result, degrees of freedom).
    """
    top = max((abs(u) for u, _ in parts), default=0.0)
    if top == 0:
        return math.inf
    variance = sum((u / top) ** 2 for u, _ in parts)
    below = sum((u / top) ** 4 / dof for u, dof in parts)
    return variance * variance / below if below > 0 else math.inf


def whole(dof: float) -> float:
    """Round degrees of freedom down; a hair below a whole number counts as that number."""
    return math.inf if dof > 1e9 else float(math.floor(dof * (1 + 1e-9)))


def check_coverage(coverage: float) -> None:
    """Raise ValueError unless `coverage` is a share between 0 and 1."""
    if not 0 < coverage < 1:
        raise ValueError(f"coverage: expected a share between 0 and 1, found {coverage!r}")


def check_dof(dof: float) -> None:
    """Raise ValueError unless there is at least one degree of freedom."""
    if not dof >= 1:
        raise ValueError(f"dof: expected at least 1 degree of freedom, found {dof!r}")
