"""When may a reading be taken: settled by slope and noise, and held still by a hand.

Both replace fixed sleeps. Neither can see a change that has not begun: feed them readings
from after the setting is known to have been taken.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.samples import FloatArray, Invalid, checked_pair

__all__ = [
    "Hold",
    "SettleRule",
    "Settling",
    "StableHold",
    "State",
    "Verdict",
    "judge",
    "settled_at",
]

_NO_VALUE = 1e30


class State(Enum):
    """What the readings so far say."""

    WAITING = "waiting"  # too few readings, or too short a time
    MOVING = "moving"
    NOISY = "noisy"  # no movement seen, but the noise could hide one
    SETTLED = "settled"


@dataclass(frozen=True)
class SettleRule:
    """Settled: |slope| + 2 u(slope) at most `slope_limit_per_s` over at least `window_s`.

    The usual choice is a tenth of the limit to be proved, per second, over one second. With
    noise too high for the shortest window, the window is doubled as far as readings reach.
    """

    slope_limit_per_s: float
    window_s: float = 1.0
    readings_min: int = 5

    def __post_init__(self) -> None:
        for name in ("slope_limit_per_s", "window_s"):
            if not 0 < getattr(self, name) < _NO_VALUE:
                raise ValueError(f"{name}: expected a positive number, found {getattr(self, name)}")
        if self.readings_min < 3:
            raise ValueError(f"readings_min: expected 3 or more, found {self.readings_min}")

    @classmethod
    def for_limit(cls, limit: float, *, window_s: float = 1.0) -> SettleRule:
        """Rule for proving `limit` (same unit as the readings): a tenth of it per second."""
        return cls(slope_limit_per_s=limit / 10, window_s=window_s)


@dataclass(frozen=True)
class Verdict:
    """State, and what it rests on: slope and its standard uncertainty per s, noise, mean, span."""

    state: State
    slope_per_s: float = 0.0
    u_slope_per_s: float = 0.0
    noise_sd: float = 0.0
    mean: float = 0.0
    window_s: float = 0.0


def judge(t_s: ArrayLike, values: ArrayLike, rule: SettleRule) -> Verdict | Invalid:
    """Judge the last readings of a series, times (n,) in s increasing, values (n,).

    A straight line through each window; u(slope) from the scatter about it. The shortest
    window that decides wins; a window with slope beyond 2 u above the limit means moving.
    """
    pair = checked_pair(t_s, values)
    if isinstance(pair, Invalid):
        return pair
    times, readings = pair
    span_s = float(times[-1] - times[0])
    window_s = rule.window_s
    last = Verdict(State.WAITING)
    while window_s <= span_s * (1 + 1e-9):
        recent = times >= times[-1] - window_s * (1 + 1e-9)
        if np.count_nonzero(recent) >= rule.readings_min:
            last = _line_verdict(times[recent], readings[recent], rule.slope_limit_per_s)
            if last.state is not State.NOISY:
                return last
        window_s *= 2
    return last


def _line_verdict(times: FloatArray, readings: FloatArray, limit_per_s: float) -> Verdict:
    centred = times - times.mean()
    about = readings - readings.mean()
    moment = float(centred @ centred)
    slope = float(centred @ about) / moment
    left = about - slope * centred
    noise_sd = float(np.sqrt(left @ left / (times.size - 2)))
    u_slope = noise_sd / float(np.sqrt(moment))
    if abs(slope) + 2 * u_slope <= limit_per_s:
        state = State.SETTLED
    else:
        state = State.MOVING if abs(slope) - 2 * u_slope > limit_per_s else State.NOISY
    mean, window_s = float(readings.mean()), float(times[-1] - times[0])
    return Verdict(state, slope, u_slope, noise_sd, mean, window_s)


def settled_at(t_s: ArrayLike, values: ArrayLike, rule: SettleRule) -> float | Invalid:
    """Time in s of the first reading at which the series counted as settled."""
    pair = checked_pair(t_s, values)
    if isinstance(pair, Invalid):
        return pair
    stream = Settling(rule)
    for time_s, value in zip(*pair, strict=True):
        verdict = stream.add(float(time_s), float(value))
        if isinstance(verdict, Verdict) and verdict.state is State.SETTLED:
            return float(time_s)
    return Invalid("the readings never settled")


class Settling:
    """Settling judged reading by reading; keeps the last `keep_s` seconds."""

    def __init__(self, rule: SettleRule, *, keep_s: float | None = None) -> None:
        self._rule = rule
        self._keep_s = keep_s if keep_s is not None else 16 * rule.window_s
        self._readings: deque[tuple[float, float]] = deque()

    def add(self, t_s: float, value: float) -> Verdict | Invalid:
        """Take one reading in and judge. An invalid one, or time going back, starts afresh."""
        if not (abs(value) < _NO_VALUE and abs(t_s) < _NO_VALUE):
            self._readings.clear()
            return Invalid(f"reading {value} at {t_s} s is no number to settle on")
        if self._readings and t_s <= self._readings[-1][0]:
            self._readings.clear()
            return Invalid(f"time did not increase at {t_s} s")
        self._readings.append((t_s, value))
        while t_s - self._readings[0][0] > self._keep_s:
            self._readings.popleft()
        if len(self._readings) < 2:
            return Verdict(State.WAITING)
        times, values = zip(*self._readings, strict=True)
        return judge(times, values, self._rule)


@dataclass(frozen=True)
class Hold:
    """Whether a hand keeps still: `mean` and `spread` (high - low) of the still stretch.

    `still_s` counts up to three times the hold time, further back nothing is kept.
    """

    held: bool
    mean: float
    spread: float
    still_s: float
    readings: int


class StableHold:
    """Accepts a hand-set value once it has been still.

    Held: at least `readings_min` readings over at least `hold_s` seconds, all within
    ±max(`band_abs`, `band_rel`·|mean|) of the middle between highest and lowest. Defaults
    5, 2 s, 2 mV, 0.02 % (the trade's practice for bench supplies, no standard).
    """

    def __init__(
        self,
        *,
        band_abs: float = 2e-3,
        band_rel: float = 2e-4,
        hold_s: float = 2.0,
        readings_min: int = 5,
    ) -> None:
        for name, given in (("band_abs", band_abs), ("band_rel", band_rel), ("hold_s", hold_s)):
            if not 0 <= given < _NO_VALUE:
                raise ValueError(f"{name}: expected zero or more, found {given}")
        if readings_min < 2:
            raise ValueError(f"readings_min: expected 2 or more, found {readings_min}")
        self._band_abs, self._band_rel = band_abs, band_rel
        self._hold_s, self._readings_min = hold_s, readings_min
        self._still: deque[tuple[float, float]] = deque()

    def add(self, t_s: float, value: float) -> Hold | Invalid:
        """Take one reading in. An invalid one, or time going back, starts afresh."""
        if not (abs(value) < _NO_VALUE and abs(t_s) < _NO_VALUE):
            self._still.clear()
            return Invalid(f"reading {value} at {t_s} s is no number to hold")
        if self._still and t_s <= self._still[-1][0]:
            self._still.clear()
            return Invalid(f"time did not increase at {t_s} s")
        self._still.append((t_s, value))
        keep_s = 3 * self._hold_s
        while not self._within() or (
            len(self._still) > self._readings_min and t_s - self._still[1][0] >= keep_s
        ):
            self._still.popleft()
        values = [v for _, v in self._still]
        still_s = t_s - self._still[0][0]
        enough = len(values) >= self._readings_min and still_s >= self._hold_s * (1 - 1e-9)
        mean = sum(values) / len(values)
        return Hold(enough, mean, max(values) - min(values), still_s, len(values))

    def _within(self) -> bool:
        values = [v for _, v in self._still]
        mean = sum(values) / len(values)
        band = max(self._band_abs, self._band_rel * abs(mean))
        return (max(values) - min(values)) / 2 <= band + 1e-12 * abs(mean)
