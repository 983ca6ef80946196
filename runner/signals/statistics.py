"""Mean, scatter and correlation of repeated readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.samples import FloatArray, Invalid, checked_record

__all__ = ["Sample", "describe", "effective_count"]


@dataclass(frozen=True)
class Sample:
    """Repeated readings of one quantity, in the unit of the readings.

    `sd` is the sample standard deviation (n - 1); `lag1` the lag-1 autocorrelation as NIST
    StRD defines it; `n_eff` the number of independent readings they are worth; `u_mean` the
    standard uncertainty of the mean, sd/√n_eff (GUM 4.2.3 with n_eff in place of n).
    """

    n: int
    mean: float
    sd: float
    lag1: float
    n_eff: float
    u_mean: float


def describe(readings: ArrayLike) -> Sample | Invalid:
    """Two-pass mean and standard deviation, lag-1 autocorrelation and n_eff; shape (n,), n >= 2.

    Two passes because the one-pass sum of squares loses every digit once the mean is 10⁷
    times the scatter. Readings that are all equal have sd 0 and lag1 0: the resolution of the
    instrument is then the uncertainty, and it is the budget's business to add it.
    """
    samples = checked_record(readings, name="the set of readings")
    if isinstance(samples, Invalid):
        return samples
    n = samples.size
    mean = float(samples.mean())
    mean += float((samples - mean).mean())
    about = samples - mean
    total = float(about @ about)
    if not np.isfinite(total):
        return Invalid("the set of readings overflows")
    sd = float(np.sqrt(total / (n - 1)))
    lag1 = _lag1(about, total)
    n_eff = effective_count(n, lag1)
    return Sample(n, mean, sd, lag1, n_eff, sd / float(np.sqrt(n_eff)))


def _lag1(about: FloatArray, total: float) -> float:
    return float(about[1:] @ about[:-1]) / total if total > 0 else 0.0


def effective_count(n: int, lag1: float) -> float:
    """Independent readings that n readings with lag-1 autocorrelation r are worth.

    n (1 - r)/(1 + r), first-order autoregression; never more than n, so that a chance
    negative correlation is not sold as extra knowledge, and never less than 1.
    Raises ValueError unless n >= 1 and -1 <= r <= 1.
    """
    if n < 1 or not -1 <= lag1 <= 1:
        raise ValueError(f"n {n} and lag-1 correlation {lag1} are not of a set of readings")
    return float(min(n, max(1.0, n * (1 - lag1) / (1 + lag1)))) if lag1 > 0 else float(n)
