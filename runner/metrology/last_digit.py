"""What a rounded last digit still does to a mean when the readings scatter over it.

The mean of a normal quantity rounded to steps q is off by a sum over k of
(-1)^k q/(pi k) sin(2 pi k m/q) exp(-2 pi^2 k^2 s^2/q^2), m its mean and s its spread (Fourier
series of the rounding error); s = q/2 leaves less than a hundredth of q.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from runner.metrology.repeats import standard_deviation

__all__ = ["Spread", "spread_within"]

LEAST_DOF = 8
"""Fewer say too little of the spread."""
SURE = 0.05
"""The spread is taken as small as it may be with this chance."""


@dataclass(frozen=True)
class Spread:
    """Scatter of readings about the means of their groups, in their unit, and its freedom."""

    within: float
    dof: int
    readings: int

    @property
    def difference_u(self) -> float:
        """Standard uncertainty of the difference of two means of half the readings each."""
        return self.within * 2 / math.sqrt(self.readings)

    def remaining_share(self, count: float) -> float:
        """Share (0 to 1) of half a last digit `count` that may be left in a group's mean.

        The spread is taken at its lower confidence limit, less what the rounding itself adds
        (q^2/12, Sheppard).
        """
        if count <= 0 or self.dof < LEAST_DOF:
            return 1.0
        from scipy.special import chdtri

        least = self.dof * self.within**2 / float(chdtri(self.dof, SURE)) - count**2 / 12
        if least <= 0:
            return 1.0
        return min(1.0, 2 / math.pi * math.exp(-2 * math.pi**2 * least / count**2))


def spread_within(groups: Sequence[Sequence[float]]) -> Spread:
    """Pool the scatter of groups of readings (their unit), each of one place."""
    dof = sum(len(group) - 1 for group in groups)
    squares = sum((len(g) - 1) * standard_deviation(g) ** 2 for g in groups)
    within = math.sqrt(squares / dof) if dof > 0 else 0.0
    return Spread(within, dof, sum(len(group) for group in groups))
