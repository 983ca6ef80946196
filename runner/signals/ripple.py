"""Ripple of a record: peak-to-peak, rms, and what makes a record unfit to be judged.

PARD (periodic and random deviation) is the rms or peak-to-peak value in 20 Hz to 20 MHz about
the mean; what is slower is drift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.linear import dot
from runner.signals.samples import FloatArray, Invalid, checked_record, is_flat

__all__ = [
    "Ripple",
    "below_rated_db",
    "implausible",
    "line_slope",
    "measure",
    "pool",
    "remove_floor",
    "repeated_block",
]

# Samples worked on at a time: small enough to stay in the processor's cache.
_CHUNK = 1 << 15
_SQUARE_WAVE = 2 * (1 - 1e-9)


@dataclass(frozen=True)
class Ripple:
    """Ripple of one record, or of several pooled ones, in volts.

    `pp_v` and `rms_v` are about the mean, or about the straight line of the slope asked for.
    The scope's own noise is in both; `remove_floor` takes it out of the rms, never out of the
    p-p, which stays an upper bound. `clipping_suspected`: the record lies flat on an extreme
    more than a wave does; `pp_v` is then a lower bound only, so that a failed limit stays
    failed but no pass may be claimed.
    """

    n: int
    records: int
    mean_v: float
    low_v: float
    high_v: float
    pp_v: float
    rms_v: float
    clipping_suspected: bool

    @property
    def pp_over_rms(self) -> float:
        """Sine 2.83, sawtooth 3.46, spikes 8 to 20; below 2 impossible."""
        return self.pp_v / self.rms_v


def measure(
    v: ArrayLike,
    *,
    dt_s: float = 1.0,
    slope_v_per_s: float = 0.0,
    range_v: tuple[float, float] | None = None,
) -> Ripple | Invalid:
    """Measure ripple of one record (n,) in volts, n >= 16.

    `slope_v_per_s` is a drift to take out first (see `line_slope`, and `fit_mains`, which
    finds it without being misled by the ripple). `range_v` is the span the scope can show: a
    sample at its end makes the record clipped, hence invalid. Invalid as well: whatever
    `checked_record` refuses, and a record that is flat (a live input always has noise).
    """
    samples = checked_record(v, minimum=16)
    if isinstance(samples, Invalid):
        return samples
    if not (np.isfinite(dt_s) and dt_s > 0 and np.isfinite(slope_v_per_s)):
        return Invalid(f"a sample interval of {dt_s} s or a slope of {slope_v_per_s} V/s")
    low, high = float(samples.min()), float(samples.max())
    if is_flat(low, high):
        return Invalid(f"the record is flat at {low:g} V: nothing was acquired")
    if range_v is not None and (low <= range_v[0] or high >= range_v[1]):
        return Invalid(
            f"the record is clipped: it reaches the end of {range_v[0]:g}…{range_v[1]:g} V"
        )
    mean_v = float(samples.mean())
    low_about, high_about, squares = _about_line(samples, mean_v, slope_v_per_s * dt_s)
    rms_v = float(np.sqrt(squares / samples.size))
    suspected = range_v is None and _lies_on_an_extreme(samples, low, high)
    pp_v = high_about - low_about
    reason = implausible(pp_v, rms_v)
    if reason is not None:
        return Invalid(reason)
    return Ripple(samples.size, 1, mean_v, low, high, pp_v, rms_v, suspected)


def _about_line(samples: FloatArray, mean_v: float, step_v: float) -> tuple[float, float, float]:
    """Lowest and highest deviation from the line, and the sum of their squares."""
    low, high, squares = np.inf, -np.inf, 0.0
    ramp = (np.arange(min(_CHUNK, samples.size)) - (samples.size - 1) / 2) * step_v
    buffer = np.empty(ramp.size)
    for start in range(0, samples.size, _CHUNK):
        part = samples[start : start + _CHUNK]
        deviation = np.subtract(part, mean_v + start * step_v, out=buffer[: part.size])
        if step_v != 0:
            deviation -= ramp[: deviation.size]
        low, high = min(low, float(deviation.min())), max(high, float(deviation.max()))
        squares += dot(deviation, deviation)
    return low, high, squares


def line_slope(v: ArrayLike, dt_s: float) -> float | Invalid:
    """Least-squares slope of an even record in V/s.

    With few periods in the record the ripple itself tilts this line: one period of a sine
    loses 61 % of its power (6/π²) to it, five lose 2.4 %, n lose 6/(π n)². Use it on ten or
    more.
    """
    samples = checked_record(v)
    if isinstance(samples, Invalid):
        return samples
    if not (np.isfinite(dt_s) and dt_s > 0):
        return Invalid(f"the sample interval is {dt_s} s")
    n = samples.size
    mean_v, moment = float(samples.mean()), 0.0
    for start in range(0, n, _CHUNK):
        part = samples[start : start + _CHUNK] - mean_v
        moment += dot(part, np.arange(start, start + part.size, dtype=np.float64) - (n - 1) / 2)
    slope = moment * 12 / (n * (n**2 - 1.0)) / dt_s
    return slope if np.isfinite(slope) else Invalid("the slope overflows")


def _lies_on_an_extreme(samples: FloatArray, low: float, high: float) -> bool:
    """Many more samples exactly on an extreme than on the next level inwards.

    A sine cut into levels has at most 1/(√2 - 1) = 2.4 times as many on its outermost level
    as on the next; four times is taken for clipping (a chosen margin).
    """
    return any(
        _crowded(samples, extreme, towards) for extreme, towards in ((low, np.inf), (high, -np.inf))
    )


def _crowded(samples: FloatArray, extreme: float, towards: float) -> bool:
    chunks = [samples[start : start + _CHUNK] for start in range(0, samples.size, _CHUNK)]
    on_it = sum(int(np.count_nonzero(part == extreme)) for part in chunks)
    if on_it < max(8, samples.size // 200):
        return False
    inwards = [part[part != extreme] for part in chunks]
    nearest = [
        abs(float((np.min if towards > 0 else np.max)(p)) - extreme) for p in inwards if p.size
    ]
    level = min(nearest)
    on_next = sum(int(np.count_nonzero(np.abs(p - extreme) < 1.5 * level)) for p in inwards)
    return on_it > 4 * on_next


def pool(ripples: Sequence[Ripple | Invalid]) -> Ripple | Invalid:
    """One figure from several records of the same point: largest p-p, rms over all samples.

    rms² = Σ n rms²/Σ n, each about its own mean. One invalid record spoils the pool, and so
    does a record with exactly the figures of another: the scope served an old one again.
    """
    if not ripples:
        return Invalid("no records to pool")
    valid: list[Ripple] = []
    for number, ripple in enumerate(ripples, start=1):
        if isinstance(ripple, Invalid):
            return Invalid(f"record {number}: {ripple.reason}")
        if ripple in valid:
            return Invalid(f"record {number} repeats record {valid.index(ripple) + 1}: stale")
        valid.append(ripple)
    n = sum(r.n for r in valid)
    return Ripple(
        n=n,
        records=sum(r.records for r in valid),
        mean_v=sum(r.n * r.mean_v for r in valid) / n,
        low_v=min(r.low_v for r in valid),
        high_v=max(r.high_v for r in valid),
        pp_v=max(r.pp_v for r in valid),
        rms_v=float(np.sqrt(sum(r.n * r.rms_v**2 for r in valid) / n)),
        clipping_suspected=any(r.clipping_suspected for r in valid),
    )


def repeated_block(v: ArrayLike, block: int) -> Invalid | None:
    """Tell whether a transfer block of `block` samples came twice in a row, bit for bit.

    For records that are fetched in blocks: noise makes two alike impossible, so a repeat
    is old data served again. Flat blocks are left to `measure`. ValueError for block < 16.
    """
    if block < 16:
        raise ValueError(f"blocks of {block} samples are too short to be told apart")
    samples = checked_record(v)
    if isinstance(samples, Invalid):
        return samples
    for start in range(block, samples.size - block + 1, block):
        here, before = samples[start : start + block], samples[start - block : start]
        if np.array_equal(here, before) and here.min() < here.max():
            return Invalid(f"samples {start}…{start + block - 1} repeat the block before: stale")
    return None


def implausible(pp_v: float, rms_v: float) -> str | None:
    """Why this pair cannot belong to one wave, or None.

    No wave has an rms above half its p-p (a square wave has exactly that), so p-p/rms < 2 is
    faulty data; for pairs that an instrument reports. Not finite or not positive: likewise.
    """
    if not (np.isfinite(pp_v) and np.isfinite(rms_v)) or pp_v <= 0 or rms_v <= 0:
        return f"p-p {pp_v:g} V and rms {rms_v:g} V are not figures of a ripple"
    if pp_v / rms_v < _SQUARE_WAVE:
        return f"p-p/rms is {pp_v / rms_v:.3g}; below 2 no wave exists"
    return None


def remove_floor(rms_v: float, floor_rms_v: float) -> float | Invalid:
    """Ripple without the scope's own noise: √(V² - V_floor²), both rms in volts.

    Only for rms and uncorrelated noise; a p-p does not subtract. Invalid when nothing is left
    above the floor.
    """
    if not (0 < rms_v < np.inf and 0 <= floor_rms_v < np.inf):
        return Invalid(f"{rms_v:g} V over a floor of {floor_rms_v:g} V")
    if floor_rms_v >= rms_v:
        return Invalid(f"nothing above the floor of {floor_rms_v:g} V rms")
    return float(np.sqrt((rms_v - floor_rms_v) * (rms_v + floor_rms_v)))


def below_rated_db(rms_v: float, rated_v: float) -> float | Invalid:
    """Ripple and noise as data sheets give it in dB: 20·log10(rms/rated output), negative.

    Both in volts. Source: terms of a bench supply's data sheet (Vnoise/Vrating); 0.5 mV at a
    rated 12 V are -87.60 dB.
    """
    if not (0 < rms_v < np.inf and 0 < rated_v < np.inf):
        return Invalid(f"{rms_v:g} V rms of {rated_v:g} V rated has no figure in dB")
    return float(20 * np.log10(rms_v / rated_v))
