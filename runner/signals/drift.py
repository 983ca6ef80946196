"""Slow change: robust slope, Allan deviation, warm-up curve, level shift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.linear import LinearFit, solve
from runner.signals.samples import FloatArray, Invalid, checked_pair, checked_record, is_flat

__all__ = [
    "AllanDeviation",
    "AllanKind",
    "LevelShift",
    "RobustSlope",
    "WarmUp",
    "allan_deviation",
    "fit_warm_up",
    "level_shift",
    "robust_slope",
]

# Pairs of points grow with the square; 2000 points make two million pairs.
_SLOPE_POINTS = 2000


@dataclass(frozen=True)
class RobustSlope:
    """Theil-Sen slope per second with its 95 % confidence interval, and the median line's value.

    `at_start` and `at_end` are on the line, at the first and the last time.
    """

    slope_per_s: float
    low_per_s: float
    high_per_s: float
    at_start: float
    at_end: float


def robust_slope(t_s: ArrayLike, values: ArrayLike) -> RobustSlope | Invalid:
    """Median of the slopes of all pairs (Theil-Sen, by scipy); times (n,) increasing, n >= 3.

    Up to 29 % of wild readings do not move it. The interval (Sen 1968) takes the readings for
    independent. More than 2000 readings are first put together in block medians.
    """
    from scipy.stats import theilslopes

    pair = checked_pair(t_s, values, minimum=3)
    if isinstance(pair, Invalid):
        return pair
    times, readings = (_block_medians(row) for row in pair)
    slope, intercept, low, high = (float(x) for x in theilslopes(readings, times, alpha=0.95))
    ends = (float(pair[0][0]), float(pair[0][-1]))
    if not all(np.isfinite([slope, intercept, low, high])):
        return Invalid("the slope overflows")
    return RobustSlope(slope, low, high, *(intercept + slope * end for end in ends))


def _block_medians(row: FloatArray) -> FloatArray:
    block = -(-row.size // _SLOPE_POINTS)
    if block == 1:
        return row
    whole = row.size // block * block
    return np.asarray(np.median(row[:whole].reshape(-1, block), axis=1), dtype=np.float64)


AllanKind = Literal[
    "plain", "overlapping", "modified", "time", "hadamard", "overlapping-hadamard", "total"
]


@dataclass(frozen=True, eq=False)
class AllanDeviation:
    """Deviation (unit of the readings) against averaging time `tau_s`; `pairs` used for each."""

    kind: AllanKind
    tau_s: FloatArray
    deviation: FloatArray
    pairs: FloatArray


def allan_deviation(
    t_s: ArrayLike,
    values: ArrayLike,
    *,
    factors: tuple[int, ...] | None = None,
    kind: AllanKind = "overlapping",
) -> AllanDeviation | Invalid:
    """Allan deviation of readings taken at one pace (NIST SP 1065, by allantools).

    Times (n,) in s, readings (n,), n >= 4; the readings are averages over the interval
    ("frequency data"). `factors` are multiples of the interval, octaves unless given; those
    too long for the record are left out. A gap (an interval 1.5 times the median) is refused:
    cut the series there.
    """
    import allantools

    pair = checked_pair(t_s, values, minimum=4)
    if isinstance(pair, Invalid):
        return pair
    times, readings = pair
    intervals = np.diff(times)
    pace_s = float(np.median(intervals))
    if intervals.max() > 1.5 * pace_s or intervals.min() < 0.5 * pace_s:
        worst = int(np.argmax(np.abs(intervals - pace_s)))
        return Invalid(
            f"the interval after reading {worst} is {intervals[worst]:g} s, not {pace_s:g}"
        )
    if is_flat(float(readings.min()), float(readings.max())):
        return Invalid("the readings are all the same: the resolution hides the noise")
    wanted = factors or tuple(2**k for k in range(readings.size.bit_length() - 2))
    wanted = tuple(m for m in wanted if 1 <= m <= (readings.size - 1) // 2)
    if not wanted:
        return Invalid("the record is too short for any averaging time asked for")
    function = getattr(allantools, _ALLANTOOLS[kind])
    taus, deviation, _, pairs = function(readings, rate=1.0, data_type="freq", taus=list(wanted))
    scale = pace_s if kind == "time" else 1.0
    return AllanDeviation(
        kind, np.asarray(taus) * pace_s, np.asarray(deviation) * scale, np.asarray(pairs)
    )


_ALLANTOOLS: dict[AllanKind, str] = {
    "plain": "adev",
    "overlapping": "oadev",
    "modified": "mdev",
    "time": "tdev",
    "hadamard": "hdev",
    "overlapping-hadamard": "ohdev",
    "total": "totdev",
}


@dataclass(frozen=True)
class WarmUp:
    """v(t) = start + change (1 - exp(-t/tau)), with standard uncertainties.

    `u_start` is 0 when the start was given. `sum_of_squares` is of the residual.
    """

    start: float
    u_start: float
    change: float
    u_change: float
    tau_s: float
    u_tau_s: float
    residual_sd: float
    sum_of_squares: float

    @property
    def final(self) -> float:
        """Where the curve ends."""
        return self.start + self.change


def fit_warm_up(
    t_s: ArrayLike, values: ArrayLike, *, start: float | None = None
) -> WarmUp | Invalid:
    """Fit the warm-up curve; times (n,) in s from switching on, n >= 5 (4 with `start` given).

    For each time constant the rest is linear; the best one is searched on a grid from a
    twentieth of the record to thirty times it, then refined by Gauss-Newton. At the end of
    the grid it is undetermined (no bend seen, or over before it began): invalid.
    """
    pair = checked_pair(t_s, values, minimum=4 + (start is None))
    if isinstance(pair, Invalid):
        return pair
    times, readings = pair
    if is_flat(float(readings.min()), float(readings.max())):
        return Invalid("the readings are all the same: no warm-up to fit")
    y = readings - (start or 0.0)
    span_s = float(times[-1] - times[0])
    grid = np.geomspace(span_s / 20, span_s * 30, 120)
    losses = [_warm_up_loss(times, y, tau, start is None) for tau in grid]
    best = int(np.argmin(losses))
    if best in (0, grid.size - 1) or not np.isfinite(losses[best]):
        return Invalid("the record shows no bend from which a time constant could be had")
    return _refine_warm_up(times, y, float(grid[best]), start)


def _warm_up_columns(times: FloatArray, tau_s: float, free_start: bool) -> FloatArray:
    rise = -np.expm1(-times / tau_s)
    return np.column_stack([rise, np.ones_like(rise)] if free_start else [rise])


def _warm_up_loss(times: FloatArray, y: FloatArray, tau_s: float, free_start: bool) -> float:
    fit = solve(_warm_up_columns(times, tau_s, free_start), y)
    return float("inf") if isinstance(fit, Invalid) else fit.sum_of_squares


def _refine_warm_up(
    times: FloatArray, y: FloatArray, tau_s: float, start: float | None
) -> WarmUp | Invalid:
    full: LinearFit | Invalid = Invalid("the time constant did not come to rest")
    for _ in range(100):
        columns = _warm_up_columns(times, tau_s, start is None)
        linear = solve(columns, y)
        if isinstance(linear, Invalid):
            return linear
        by_tau = -linear.coefficients[0] * np.exp(-times / tau_s) * times / tau_s**2
        full = solve(np.column_stack([columns, by_tau]), y)
        if isinstance(full, Invalid):
            return full
        step = float(full.coefficients[-1])
        tau_s += float(np.clip(step, -tau_s / 3, tau_s / 3))
        if abs(step) <= 1e-10 * tau_s:
            break
    else:
        return Invalid("the time constant did not come to rest")
    u = np.sqrt(np.diag(full.covariance))
    return WarmUp(
        start=float(full.coefficients[1]) if start is None else start,
        u_start=float(u[1]) if start is None else 0.0,
        change=float(full.coefficients[0]),
        u_change=float(u[0]),
        tau_s=tau_s,
        u_tau_s=float(u[-1]),
        residual_sd=full.residual_sd,
        sum_of_squares=full.sum_of_squares,
    )


@dataclass(frozen=True)
class LevelShift:
    """Best single split of a series: `index` is the first reading of the new level.

    `p_value` bounds the probability of such a split by chance among independent readings
    (F test times the number of places tried: cautious).
    """

    index: int
    before: float
    after: float
    sum_of_squares: float
    sum_of_squares_whole: float
    p_value: float


def level_shift(values: ArrayLike) -> LevelShift | Invalid:
    """Find the least-squares single split of a series (n,), n >= 4, two readings or more a side."""
    from scipy.stats import f as f_distribution

    readings = checked_record(values, name="the series", minimum=4)
    if isinstance(readings, Invalid):
        return readings
    if is_flat(float(readings.min()), float(readings.max())):
        return Invalid("the readings are all the same: no shift to find")
    n = readings.size
    about = readings - readings.mean()
    count = np.arange(2, n - 1)
    head = np.cumsum(about)[1 : n - 2]
    between = head**2 * (n / (count * (n - count)))
    at = int(np.argmax(between))
    split = int(count[at])
    whole = float(about @ about)
    left, right = readings[:split], readings[split:]
    rest = float(((left - left.mean()) ** 2).sum() + ((right - right.mean()) ** 2).sum())
    ratio = (whole - rest) / (rest / (n - 2)) if rest > 0 else np.inf
    p_value = min(1.0, count.size * float(f_distribution.sf(max(0.0, ratio), 1, n - 2)))
    return LevelShift(split, float(left.mean()), float(right.mean()), rest, whole, p_value)
