"""Chance that the true value lies on the other side of the limit (JCGM 106:2012, 7 and 9).

What is known of the true value is the estimate and its dispersion; no production statistics
are assumed, so these are specific risks of this very unit.
"""

from __future__ import annotations

import math
from dataclasses import replace

from runner.metrology.dispersion import Dispersion
from runner.metrology.limit import Limit
from runner.metrology.plain import finite, positive

__all__ = ["guard_band_for_risk", "probability_outside", "uncertainty_ratio"]


def probability_outside(value: float, dispersion: Dispersion, limit: Limit) -> float:
    """Return P(true value outside the limits | value), from 0 to 1.

    JCGM 106:2012 eq. 3 to 7: one- or two-sided; `value` in the unit of the limit.
    """
    finite("value", value)
    below_low = 0.0 if limit.low is None else dispersion.below(limit.low - value)
    mirrored = replace(dispersion, shift=-dispersion.shift)
    above_high = 0.0 if limit.high is None else mirrored.below(value - limit.high)
    return min(1.0, below_low + above_high)


def guard_band_for_risk(risk: float, dispersion: Dispersion) -> float:
    """Return the guard band w that leaves `risk` of false acceptance at the acceptance limit.

    One-sided (the other limit is far away); `risk` above 0 and at most 0.5; unit of the
    dispersion. 5 %, 2.5 % and 1 % give 1.6449, 1.9600 and 2.3263 u for a normal dispersion.
    """
    if not 0 < risk <= 0.5:
        raise ValueError(f"risk: expected a share above 0 and at most 0.5, found {risk!r}")
    return 0.0 if risk == 0.5 else dispersion.reach(1 - 2 * risk)


def uncertainty_ratio(limit: Limit, u_expanded: float) -> float:
    """Return the test uncertainty ratio: what the limits allow over U (4 is the usual aim).

    Two-sided: half the distance of the limits; one-sided: distance of the limit from the
    nominal value (zero unless the limit names one). Infinite when U is zero.
    """
    if u_expanded == 0:
        return math.inf
    positive("u_expanded", u_expanded)
    return limit.room / u_expanded
