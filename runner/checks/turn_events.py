"""Where a slowly turned output was when the winding changed, and whether the turn was any good.

Pure arithmetic on the meter's readings around the moment at which the change was noticed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

__all__ = ["SLOPE_WINDOW_S", "Crossing", "Track", "crossing", "rate_now"]

BACK_WINDOW_S = 0.2
"""A turn that goes back within this time of the change is thrown away (common practice)."""
BACK_V = 0.010
TREMORS = 4.0
"""Going back is more than 10 mV, and more than this many times the hand's own tremor."""
HESITATION_SHARE = 0.15
TOO_FAST = 2.5
SLOPE_WINDOW_S = 0.8


@dataclass(frozen=True, slots=True)
class Track:
    """What the meter saw during a turn: middle of each reading (s) and its value (V)."""

    t_s: Sequence[float]
    volts: Sequence[float]
    rising: bool


@dataclass(frozen=True, slots=True)
class Crossing:
    """Output at the change (V), half-width from reading to reading (V), and the rate (V/s)."""

    volts: float
    between_v: float
    rate_v_per_s: float


def crossing(
    track: Track, earliest_s: float, latest_s: float, rate_v_per_s: float
) -> Crossing | str:
    """Return the output between the earliest and the latest moment of the change.

    ``rate_v_per_s`` is the rate that was asked for. The point lies between the furthest that
    was held without a change before, and the furthest reached by the first reading after the
    latest moment; the middle is taken. A trembling hand narrows this, it does not widen it.
    Returns in words why the turn must be thrown away: too few readings, the hand went back,
    hesitated or hurried.
    """
    before = [i for i, t in enumerate(track.t_s) if t <= earliest_s]
    after = [i for i, t in enumerate(track.t_s) if t >= latest_s]
    if not before or not after:
        return "no readings on both sides of the change"
    way = 1 if track.rising else -1
    held_v = way * max(way * track.volts[i] for i in before)
    reached_v = way * max(way * v for v in track.volts[before[-1] + 1 : after[0] + 1])
    near = [
        v
        for t, v in zip(track.t_s, track.volts, strict=True)
        if earliest_s - BACK_WINDOW_S <= t <= latest_s + BACK_WINDOW_S
    ]
    slope, tremor_v = _line(track, (earliest_s + latest_s) / 2)
    allowed_v = max(BACK_V, TREMORS * tremor_v)
    furthest = near[0]
    for value in near:
        if way * (furthest - value) > allowed_v:
            return "the hand went back at the change"
        furthest = value if way * (value - furthest) > 0 else furthest
    rate = way * slope
    if rate < HESITATION_SHARE * rate_v_per_s:
        return "the hand hesitated at the change"
    if rate > TOO_FAST * rate_v_per_s:
        return "the hand was too fast at the change"
    return Crossing((held_v + reached_v) / 2, abs(reached_v - held_v) / 2, rate)


def rate_now(track: Track) -> float:
    """How fast the output has moved lately, V/s; 0 while too little was read."""
    return _line(track, track.t_s[-1] - SLOPE_WINDOW_S)[0] if track.t_s else 0.0


def _line(track: Track, at_s: float) -> tuple[float, float]:
    """Least-squares slope about a moment (V/s), and the tremor about it (V).

    The tremor is that of the differences from reading to reading, by their median, so that one
    move back does not pass for trembling: 1.4826 times the median for a normal scatter, by √2
    for the two readings in each difference.
    """
    pairs = [
        (t - at_s, v)
        for t, v in zip(track.t_s, track.volts, strict=True)
        if abs(t - at_s) <= SLOPE_WINDOW_S
    ]
    if len(pairs) < 3:
        return 0.0, 0.0
    mean_t = sum(t for t, _ in pairs) / len(pairs)
    mean_v = sum(v for _, v in pairs) / len(pairs)
    spread = sum((t - mean_t) ** 2 for t, _ in pairs)
    if spread <= 0:
        return 0.0, 0.0
    slope = sum((t - mean_t) * (v - mean_v) for t, v in pairs) / spread
    steps = [abs(b - a - slope * (u - t)) for (t, a), (u, b) in pairwise(pairs)]
    return slope, 1.4826 * median(steps) / math.sqrt(2)
