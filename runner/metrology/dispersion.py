"""How the true value may lie about an estimate, and the coverage factor that follows.

A budget ruled by one or two limits of error is not normal: 1.96 u would claim 100 % for a
single rectangle. Its coverage factor is taken from the distribution itself, as EA-4/02 M does
in its supplements S9 (rectangle) and S10 (trapezoid), here with a normal or t part folded in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from runner.metrology.coverage import check_coverage, check_dof, t_factor
from runner.metrology.plain import finite, not_negative
from runner.metrology.student import step_integrals, t_below, t_density, t_integrals

__all__ = ["Dispersion"]

# Below this share of the t part a rectangle shows only through its variance (it widens it by
# 2e-5 at most), and the difference quotients in `below` would lose digits.
_SLIGHT = 1e-2
# Below this share of the other rectangle the second only rounds corners too small to matter.
_ROUND = 1e-6
# From this many widths on, the rectangles no longer matter and the quotients have no digits left.
_FAR = 50.0
# No part narrower than this is told from none at all: quotients by it would overflow.
_NOTHING = 1e-150
_STEPS = 60


@dataclass(frozen=True)
class Dispersion:
    """The sum of a normal or t part and of up to two rectangular parts, all about `shift`.

    `t_u` is the standard uncertainty of the normal or t part with `dof` degrees of freedom;
    `half_width` and `second_half_width` those of the two largest rectangles. All in the unit
    of the estimate. Everything smaller belongs to the t part. `shift` is where the middle of
    the true value's place lies from the estimate: bounds of error that are not alike on both
    sides (GUM 4.3.8), and are not corrected for.
    """

    t_u: float
    dof: float = math.inf
    half_width: float = 0.0
    second_half_width: float = 0.0
    shift: float = 0.0

    def __post_init__(self) -> None:
        not_negative("t_u", self.t_u)
        not_negative("half_width", self.half_width)
        not_negative("second_half_width", self.second_half_width)
        finite("shift", self.shift)
        check_dof(self.dof)

    @property
    def u(self) -> float:
        """Combined standard uncertainty (unit of the estimate)."""
        rectangles = math.hypot(self.half_width, self.second_half_width)
        return math.hypot(self.t_u, rectangles / math.sqrt(3))

    @property
    def ruled_by_limits(self) -> bool:
        """Whether a rectangle shapes the sum, so that neither normal nor t gives its factor."""
        return self._shape()[1] > 0

    def below(self, distance: float) -> float:
        """Return P(true value - estimate <= distance), `distance` in the estimate's unit.

        The distribution function of the t part, averaged over the rectangles in closed form.
        """
        if math.isnan(distance):
            raise ValueError("distance: expected a number, found nan")
        if math.isinf(distance):
            return 1.0 if distance > 0 else 0.0
        return self._share_and_density(distance - self.shift)[0]

    def _share_and_density(self, distance: float) -> tuple[float, float]:
        """Return the distribution function and the density at `distance` from the middle."""
        scale, large, small = self._shape()
        if scale == 0 and abs(distance) >= large + small:
            return 0.5 if distance == 0 else float(distance > 0), 0.0
        if large == 0 or abs(distance) > _FAR * (scale + large + small):
            z = distance / scale
            return t_below(z, self.dof), t_density(z, self.dof) / scale
        pointed = scale <= 1e-9 * large  # the t part is too narrow to round any corner
        unit = large if pointed else scale

        def integrals(at: float) -> tuple[float, float, float]:
            return step_integrals(at / unit) if pointed else t_integrals(at / unit, self.dof)

        if small == 0:
            high, low = integrals(distance + large), integrals(distance - large)
            share = (high[1] - low[1]) * (unit / (2 * large))
            return _clip(share), (high[0] - low[0]) / (2 * large)
        outer, inner = large + small, large - small
        corners = [
            (sign, integrals(distance + at))
            for sign, at in ((1, outer), (1, -outer), (-1, inner), (-1, -inner))
        ]
        across = (unit / (2 * large)) * (unit / (2 * small))
        slope, share = (across * sum(s * values[i] for s, values in corners) for i in (1, 2))
        return _clip(share), slope / unit

    def k(self, coverage: float) -> float:
        """Return the factor by which u is multiplied to cover the share `coverage`.

        To both sides of the estimate alike, also where the true value lies rather on one.
        """
        check_coverage(coverage)
        centred = replace(self, shift=0.0)
        if self.shift == 0 or self.u == 0:
            return _k(centred, coverage)
        return _k_shifted(self, coverage, _k(centred, coverage) * self.u)

    def reach(self, coverage: float) -> float:
        """Return the longer arm of the interval that leaves as much beyond at either end.

        That is k u, and more only where the true value lies rather on one side: by this a
        decision keeps its risk at both limits (unit of the estimate).
        """
        return abs(self.shift) + replace(self, shift=0.0).k(coverage) * self.u

    def _shape(self) -> tuple[float, float, float]:
        """Return the t part's scale and the two rectangles, slight ones folded into the scale."""
        large = max(self.half_width, self.second_half_width)
        small = min(self.half_width, self.second_half_width)
        scale = self.t_u
        scale, large, small = (0.0 if part < _NOTHING else part for part in (scale, large, small))
        if small < max(_SLIGHT * scale, _ROUND * large):
            scale, small = math.hypot(scale, small / math.sqrt(3)), 0.0
        if large < _SLIGHT * scale:
            scale, large = math.hypot(scale, large / math.sqrt(3)), 0.0
        return scale, large, small


@lru_cache(maxsize=4096)
def _k(dispersion: Dispersion, coverage: float) -> float:
    """Newton's steps from below, where the distribution function is concave: they never overshoot.

    Each part alone reaches less far than the sum, so the farther of them is below the root.
    """
    scale, large, _ = dispersion._shape()
    factor = t_factor(coverage, dispersion.dof)
    if large == 0:
        return factor
    aim, reach = (1 + coverage) / 2, max(factor * scale, coverage * large)
    for _ in range(_STEPS):
        share, density = dispersion._share_and_density(reach)
        step = (aim - share) / density if density > 0 else 0.0
        reach += step
        if abs(step) <= 1e-11 * reach:
            break
    return reach / dispersion.u


@lru_cache(maxsize=4096)
def _k_shifted(dispersion: Dispersion, coverage: float, centred_u: float) -> float:
    """Halve in on the distance U with F(U) - F(-U) = coverage, F about the shifted middle.

    It lies between the centred one and that with the shift added to it.
    """
    low, high = centred_u, centred_u + abs(dispersion.shift)
    for _ in range(_STEPS):
        middle = (low + high) / 2
        inside = dispersion.below(middle) - dispersion.below(-middle)
        low, high = (middle, high) if inside < coverage else (low, middle)
    return high / dispersion.u


def _clip(probability: float) -> float:
    return min(1.0, max(0.0, probability))
