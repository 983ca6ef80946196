"""Where a slowly turned output was when the winding changed, and whether the turn was any good.

Pure arithmetic on the meter's readings around the moment at which the change was noticed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Crossing", "Track", "crossing"]

BACK_WINDOW_S = 0.2
"""A turn that goes back within this time of the change is thrown away (common practice)."""
BACK_V = 0.010
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

    ``rate_v_per_s`` is the rate that was asked for. The value is the middle of what the meter
    saw from the last reading before the earliest moment to the first after the latest one.
    Returns in words why the turn must be thrown away: too few readings, the hand went back,
    hesitated or hurried.
    """
    before = [i for i, t in enumerate(track.t_s) if t <= earliest_s]
    after = [i for i, t in enumerate(track.t_s) if t >= latest_s]
    if not before or not after:
        return "no readings on both sides of the change"
    seen = track.volts[before[-1] : after[0] + 1]
    low_v, high_v = min(seen), max(seen)
    way = 1 if track.rising else -1
    near = [
        v
        for t, v in zip(track.t_s, track.volts, strict=True)
        if earliest_s - BACK_WINDOW_S <= t <= latest_s + BACK_WINDOW_S
    ]
    furthest = near[0]
    for value in near:
        if way * (furthest - value) > BACK_V:
            return "the hand went back at the change"
        furthest = value if way * (value - furthest) > 0 else furthest
    rate = way * _slope(track, (earliest_s + latest_s) / 2)
    if rate < HESITATION_SHARE * rate_v_per_s:
        return "the hand hesitated at the change"
    if rate > TOO_FAST * rate_v_per_s:
        return "the hand was too fast at the change"
    return Crossing((low_v + high_v) / 2, (high_v - low_v) / 2, rate)


def _slope(track: Track, at_s: float) -> float:
    """Least-squares slope of the readings within the window about a moment, V/s."""
    pairs = [
        (t - at_s, v)
        for t, v in zip(track.t_s, track.volts, strict=True)
        if abs(t - at_s) <= SLOPE_WINDOW_S
    ]
    if len(pairs) < 3:
        return 0.0
    mean_t = sum(t for t, _ in pairs) / len(pairs)
    mean_v = sum(v for _, v in pairs) / len(pairs)
    spread = sum((t - mean_t) ** 2 for t, _ in pairs)
    return sum((t - mean_t) * (v - mean_v) for t, v in pairs) / spread if spread > 0 else 0.0
