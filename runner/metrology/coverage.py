"""Divisors of limits, t factors, and the dispersion from which k is taken.

Sources: JCGM 100:2008 (GUM) 4.3.7-4.3.9, annex G; EA-4/02 M, supplements S9 and S10, for a
budget ruled by one rectangular line, where 1.96 times u would claim too wide an interval.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

from runner.metrology.plain import not_negative

__all__ = ["Dispersion", "divisor", "effective_dof", "t_factor", "trapezoid_divisor"]

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
    _check_coverage(coverage)
    _check_dof(dof)
    from scipy.special import ndtri, stdtrit

    if math.isinf(dof):
        return float(ndtri((1 + coverage) / 2))
    return float(stdtrit(_whole(dof), (1 + coverage) / 2))


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


@dataclass(frozen=True)
class Dispersion:
    """How the true value may lie about the estimate: a t part plus one rectangular part.

    `t_u` is the standard uncertainty of the normal or t part (the estimate's unit) with `dof`
    degrees of freedom, `half_width` the half-width of the one rectangular part large enough to
    shape the sum. Everything smaller belongs to the t part.
    """

    t_u: float
    dof: float = math.inf
    half_width: float = 0.0

    def __post_init__(self) -> None:
        not_negative("t_u", self.t_u)
        not_negative("half_width", self.half_width)
        _check_dof(self.dof)

    @property
    def u(self) -> float:
        """Combined standard uncertainty (unit of the estimate)."""
        return math.hypot(self.t_u, self.half_width / math.sqrt(3))

    def below(self, distance: float) -> float:
        """Return P(true value - estimate <= distance), `distance` in the estimate's unit.

        The mean of the t distribution function over the rectangle, in closed form.
        """
        if math.isnan(distance):
            raise ValueError("distance: expected a number, found nan")
        if math.isinf(distance):
            return 1.0 if distance > 0 else 0.0
        scale, half = self.t_u, self.half_width
        if scale <= 1e-12 * half:
            if half == 0:
                return 0.5 if distance == 0 else float(distance > 0)
            return min(1.0, max(0.0, (distance + half) / (2 * half)))
        # Below a thousandth of the t part the rectangle moves nothing that doubles can show
        # well, and the difference quotient would lose digits.
        if half < 1e-3 * scale:
            return _t_below(distance / self.u, self.dof)
        rise = _t_area((distance + half) / scale, self.dof)
        rise -= _t_area((distance - half) / scale, self.dof)
        return min(1.0, max(0.0, rise * scale / (2 * half)))

    def k(self, coverage: float) -> float:
        """Return the factor by which u is multiplied to cover the share `coverage`."""
        _check_coverage(coverage)
        return _k(self, coverage)


@lru_cache(maxsize=4096)
def _k(dispersion: Dispersion, coverage: float) -> float:
    scale, half, u = dispersion.t_u, dispersion.half_width, dispersion.u
    if half < 1e-3 * scale or u == 0:
        return t_factor(coverage, dispersion.dof)
    if scale <= 1e-12 * half:
        return math.sqrt(3) * coverage
    from scipy.optimize import brentq

    unit = Dispersion(scale / u, dispersion.dof, half / u)
    highest = half / u + scale / u * t_factor(coverage, dispersion.dof)
    root = brentq(lambda k: unit.below(k) - (1 + coverage) / 2, 0.0, 2 * highest, xtol=1e-12)
    return float(root)


def _t_below(z: float, dof: float) -> float:
    from scipy.special import ndtr, stdtr

    return float(ndtr(z) if math.isinf(dof) else stdtr(_whole(dof), z))


def _t_area(z: float, dof: float) -> float:
    """Integral of the distribution function from minus infinity to z (to a constant for dof 1)."""
    nu = _whole(dof)
    if math.isinf(nu):
        return z * _t_below(z, nu) + math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    if nu == 1:
        return z * _t_below(z, nu) - math.log1p(z * z) / (2 * math.pi)
    from scipy.special import poch

    peak = float(poch(nu / 2, 0.5)) / math.sqrt(nu * math.pi)
    density = peak * math.exp(-(nu + 1) / 2 * math.log1p(z * z / nu))
    return z * _t_below(z, nu) + (nu + z * z) / (nu - 1) * density


def _whole(dof: float) -> float:
    """Round down; a hair below a whole number is rounding, not a lost degree of freedom."""
    return math.inf if dof > 1e9 else math.floor(dof * (1 + 1e-9))


def _check_coverage(coverage: float) -> None:
    if not 0 < coverage < 1:
        raise ValueError(f"coverage: expected a share between 0 and 1, found {coverage!r}")


def _check_dof(dof: float) -> None:
    if not dof >= 1:
        raise ValueError(f"dof: expected at least 1 degree of freedom, found {dof!r}")
