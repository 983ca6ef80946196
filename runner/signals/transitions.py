"""Tap transitions: found in a trace, counted, told from chatter; the glitch each one leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.samples import FloatArray, Invalid, checked_pair
from runner.signals.steps import Excursion, crossing_time, excursion, state_levels

__all__ = ["Chatter", "TapTransition", "count_chatter", "find_transitions", "glitch"]

GLITCH_BANDS_V = (0.015, 0.050, 0.100)
CHATTER_WINDOW_S = 2.0


@dataclass(frozen=True)
class TapTransition:
    """One change of the tap: when, and whether upwards (towards the higher winding)."""

    t_s: float
    up: bool


def find_transitions(
    t_s: ArrayLike,
    v: ArrayLike,
    *,
    amplitude_min_v: float,
    thresholds_v: tuple[float, float] | None = None,
    rising_is_up: bool = True,
) -> tuple[TapTransition, ...] | Invalid:
    """Transitions of a two-level trace: relay coil, raw rail, inlet power against time.

    A change counts when the trace, having been beyond one threshold, passes the other: the
    distance between them (lower, upper) is what ripple and noise must not bridge. Without
    thresholds they lie at 30 and 70 % between the trace's state levels. A trace whose states
    lie nearer than `amplitude_min_v` has no transitions; one that is flat to the last digit
    is no live trace and invalid. The time is that of the middle level, interpolated, the last
    passage before the change is complete. t (n,) in s, uneven allowed.
    """
    pair = checked_pair(t_s, v, minimum=8)
    if isinstance(pair, Invalid):
        return pair
    times, samples = pair
    levels = state_levels(samples)
    if isinstance(levels, Invalid):
        return levels
    if levels.amplitude_v < amplitude_min_v:
        return ()
    low_v, span_v = levels.low_v, levels.amplitude_v
    lower, upper = thresholds_v or (low_v + 0.3 * span_v, low_v + 0.7 * span_v)
    if not lower < upper:
        return Invalid(f"the lower threshold, {lower:g} V, is not below the upper, {upper:g} V")
    return _passages(times, samples, lower, upper, rising_is_up)


def _passages(
    times: FloatArray, samples: FloatArray, lower: float, upper: float, rising_is_up: bool
) -> tuple[TapTransition, ...]:
    decided = np.flatnonzero((samples <= lower) | (samples >= upper))
    high = samples[decided] >= upper
    middle = (lower + upper) / 2
    found = []
    for at in np.flatnonzero(high[1:] != high[:-1]):
        start, end = int(decided[at]), int(decided[at + 1])
        rising = bool(high[at + 1])
        beyond = samples[start : end + 1] >= middle
        before = start + int(np.flatnonzero(beyond != rising)[-1])
        when_s = crossing_time(times, samples, before, middle)
        found.append(TapTransition(when_s, rising == rising_is_up))
    return tuple(found)


@dataclass(frozen=True)
class Chatter:
    """Whether a tap chatters.

    `transitions` in all; `reversals`: changes followed by the opposite one within the window;
    `rate_hz`: transitions per second over the busiest window. Chatter is one reversal or more
    with the knob still.
    """

    transitions: int
    reversals: int
    rate_hz: float

    @property
    def chattering(self) -> bool:
        """Two or more transitions in opposite directions within the window."""
        return self.reversals > 0


def count_chatter(
    events: Sequence[TapTransition], *, window_s: float = CHATTER_WINDOW_S
) -> Chatter | Invalid:
    """Count chatter in a list of transitions in the order of time, from any sensor."""
    if not 0 < window_s < np.inf:
        return Invalid(f"a window of {window_s} s")
    if not events:
        return Chatter(0, 0, 0.0)
    times = np.array([event.t_s for event in events], dtype=np.float64)
    if not np.all(np.isfinite(times)) or np.any(np.diff(times) < 0):
        return Invalid("the transitions are not in the order of time")
    up = np.array([event.up for event in events])
    quick = (np.diff(times) <= window_s) & (up[1:] != up[:-1])
    in_window = np.searchsorted(times, times + window_s, side="right") - np.arange(times.size)
    return Chatter(times.size, int(np.count_nonzero(quick)), float(in_window.max()) / window_s)


def glitch(
    t_s: ArrayLike,
    v: ArrayLike,
    *,
    event_s: float,
    bands_v: tuple[float, ...] = GLITCH_BANDS_V,
) -> Excursion | Invalid:
    """Disturbance of the output by one transition: peaks both ways, time outside each band.

    The reference is the median of the samples before `event_s` (at least 8 of them). A relay
    breaks before it makes for 5 to 15 ms: let the record hold 100 ms. Through a.c. coupling a
    dip longer than about 50 ms is hidden.
    """
    pair = checked_pair(t_s, v, minimum=16)
    if isinstance(pair, Invalid):
        return pair
    times, samples = pair
    before = times < event_s
    if np.count_nonzero(before) < 8 or np.count_nonzero(~before) < 8:
        return Invalid(f"fewer than 8 samples before or after the event at {event_s:g} s")
    reference_v = float(np.median(samples[before]))
    return excursion(times, samples, reference_v=reference_v, bands_v=bands_v)
