"""What the unit did: a bounded list of stretches of time that can be sampled or averaged.

A `Steady` stretch repeats one cycle and costs nothing; a `Moving` stretch holds every step.
Both know how far the minus terminal stands from earth (an exponential towards its rest).
"""

from __future__ import annotations

import bisect
import math
from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from sim_instruments.plant.circuit import GRID
from sim_instruments.plant.steady import COLUMNS, Cycle
from sim_instruments.plant.stepping import Floats

__all__ = ["Afloat", "History", "Line", "Moving", "Steady", "Stretch"]


@dataclass(frozen=True, slots=True)
class Line:
    """The mains during a stretch, and what the primary draws beside the load."""

    v_rms: float
    f_hz: float
    third: float
    fifth: float
    ratio: float  # secondary EMF over source voltage, 0 while disconnected
    source_ohm: float
    on: bool


@dataclass(frozen=True, slots=True)
class Afloat:
    """Minus terminal against earth: rest + (first - rest)·exp(-t/tau), plus a sine at f."""

    first_v: float
    rest_v: float
    tau_s: float
    ac_v_rms: float
    ac_phase: float
    jitter_v: float

    def at(self, dt_s: Floats | float) -> Floats | float:
        """Slow part at a time after the start of the stretch."""
        if self.tau_s <= 0.0:
            return self.rest_v + 0.0 * dt_s
        return self.rest_v + (self.first_v - self.rest_v) * np.exp(-np.asarray(dt_s) / self.tau_s)

    def integral(self, dt_s: float) -> float:
        """Integral of the slow part over the first dt seconds."""
        swing = (self.first_v - self.rest_v) * self.tau_s
        rest = self.rest_v * dt_s
        return rest - swing * math.expm1(-dt_s / self.tau_s) if self.tau_s > 0.0 else rest


@dataclass(slots=True)
class Stretch(ABC):
    """Common to both kinds: from t0 to t1 with phase0 (cycles) at t0."""

    t0_s: float
    t1_s: float
    phase0: float
    line: Line
    afloat: Afloat
    tap: int
    coils_v: tuple[float, ...]
    set_v: float

    @abstractmethod
    def values(self, column: str, t_s: Floats) -> Floats:
        """Return the wave at times inside the stretch."""
        ...

    @abstractmethod
    def integral(self, column: str, a_s: float, b_s: float) -> float:
        """Integral of the wave from a to b inside the stretch."""
        ...

    @abstractmethod
    def low_high(self, column: str) -> tuple[float, float]:
        """Bounds of the wave."""
        ...


@dataclass(slots=True)
class Steady(Stretch):
    """One cycle again and again; the output may creep (heat) as shift + slope·(t - t0)."""

    cycle: Cycle
    shift_v: float = 0.0
    slope_v_per_s: float = 0.0

    def values(self, column: str, t_s: Floats) -> Floats:
        """Return the wave at times inside the stretch."""
        dt = t_s - self.t0_s
        pos = ((self.phase0 + dt * self.line.f_hz) % 1.0) * GRID
        k = pos.astype(np.int64)
        row = self.cycle.waves[COLUMNS[column]]
        k = np.minimum(k, GRID - 1)
        v = row[k] + (row[k + 1] - row[k]) * (pos - k)
        if column == "out":
            v = v + self.shift_v + self.slope_v_per_s * dt
        return np.asarray(v, dtype=np.float64)

    def _primitive(self, row: Floats, phase: float) -> float:
        whole = math.floor(phase)
        pos = (phase - whole) * GRID
        k = min(int(pos), GRID - 1)
        return float(whole * row[-1] + row[k] + (row[k + 1] - row[k]) * (pos - k))

    def integral(self, column: str, a_s: float, b_s: float) -> float:
        """Integral of the wave from a to b inside the stretch."""
        row, f = self.cycle.running[COLUMNS[column]], self.line.f_hz
        pa = self.phase0 + (a_s - self.t0_s) * f
        pb = pa + (b_s - a_s) * f
        area = (self._primitive(row, pb) - self._primitive(row, pa)) / f
        if column == "out":
            mid = 0.5 * (a_s + b_s) - self.t0_s
            area += (self.shift_v + self.slope_v_per_s * mid) * (b_s - a_s)
        return area

    def low_high(self, column: str) -> tuple[float, float]:
        """Bounds of the wave."""
        lo, hi = self.cycle.low(column), self.cycle.high(column)
        if column == "out":
            end = self.shift_v + self.slope_v_per_s * (self.t1_s - self.t0_s)
            lo, hi = lo + min(self.shift_v, end), hi + max(self.shift_v, end)
        return lo, hi


@dataclass(slots=True)
class Moving(Stretch):
    """Every step of a change. t: shape (n,); waves: shape (5, n)."""

    t_s: Floats
    waves: Floats
    running: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    def __post_init__(self) -> None:
        steps = 0.5 * (self.waves[:, 1:] + self.waves[:, :-1]) * np.diff(self.t_s)
        self.running = np.concatenate([np.zeros((5, 1)), np.cumsum(steps, axis=1)], axis=1)

    def values(self, column: str, t_s: Floats) -> Floats:
        """Return the wave at times inside the stretch."""
        wave = np.interp(t_s, self.t_s, self.waves[COLUMNS[column]])
        return np.asarray(wave, dtype=np.float64)

    def integral(self, column: str, a_s: float, b_s: float) -> float:
        """Integral of the wave from a to b inside the stretch."""
        row, wave = self.running[COLUMNS[column]], self.waves[COLUMNS[column]]
        return self._primitive(row, wave, b_s) - self._primitive(row, wave, a_s)

    def _primitive(self, row: Floats, wave: Floats, t_s: float) -> float:
        k = min(max(int(np.searchsorted(self.t_s, t_s)) - 1, 0), len(self.t_s) - 2)
        dt = t_s - float(self.t_s[k])
        step = float(self.t_s[k + 1] - self.t_s[k])
        slope = (float(wave[k + 1]) - float(wave[k])) / step if step > 0.0 else 0.0
        return float(row[k]) + dt * (float(wave[k]) + 0.5 * slope * dt)

    def low_high(self, column: str) -> tuple[float, float]:
        """Bounds of the wave."""
        row = self.waves[COLUMNS[column]]
        return float(row.min()), float(row.max())


class History:
    """Stretches in order, the oldest dropped once they lie further back than the window."""

    def __init__(self, window_s: float = 120.0) -> None:
        self._window_s = window_s
        self._stretches: deque[Stretch] = deque()

    def __len__(self) -> int:
        return len(self._stretches)

    def add(self, stretch: Stretch) -> None:
        """Append a stretch that begins where the last one ends."""
        self._stretches.append(stretch)
        oldest = stretch.t1_s - self._window_s
        while len(self._stretches) > 1 and self._stretches[0].t1_s < oldest:
            self._stretches.popleft()

    def last(self) -> Stretch | None:
        """Return the newest stretch."""
        return self._stretches[-1] if self._stretches else None

    @property
    def start_s(self) -> float:
        """Oldest time that can still be asked for."""
        return self._stretches[0].t0_s if self._stretches else 0.0

    def between(self, a_s: float, b_s: float) -> list[Stretch]:
        """Stretches that touch the span; the nearest one when the span lies outside."""
        if not self._stretches:
            return []
        found: list[Stretch] = []
        for s in reversed(self._stretches):
            if s.t1_s < a_s:
                break
            if s.t0_s <= b_s:
                found.append(s)
        found.reverse()
        if not found:
            found = [self._stretches[0] if b_s < self._stretches[0].t0_s else self._stretches[-1]]
        return found

    def values(self, column: str, t_s: Floats) -> Floats:
        """Sample one wave at any times of the window; shape as t."""
        t = np.asarray(t_s, dtype=np.float64)
        out = np.empty(t.shape)
        for s, inside in self.split(t):
            out[inside] = s.values(column, np.clip(t[inside], s.t0_s, s.t1_s))
        return out

    def split(self, t_s: Floats) -> list[tuple[Stretch, Floats]]:
        """Each stretch with the indices of the times that fall into it."""
        if t_s.size == 0:
            return []
        spans = self.between(float(t_s.min()), float(t_s.max()))
        if len(spans) == 1:
            return [(spans[0], np.arange(t_s.size))]  # type: ignore[list-item]
        ends = [s.t1_s for s in spans[:-1]]
        which = np.searchsorted(ends, t_s, side="left")
        return [(s, np.flatnonzero(which == k)) for k, s in enumerate(spans)]  # type: ignore[misc]

    def mean(self, column: str, a_s: float, b_s: float) -> float:
        """Mean of one wave over a span (clipped to the window)."""
        total = span = 0.0
        for s in self.between(a_s, b_s):
            lo, hi = max(a_s, s.t0_s), min(b_s, s.t1_s)
            if hi > lo:
                total += s.integral(column, lo, hi)
                span += hi - lo
        if span > 0.0:
            return total / span
        return float(self.values(column, np.array([0.5 * (a_s + b_s)]))[0])

    def afloat_mean(self, a_s: float, b_s: float) -> float:
        """Mean of the slow minus-to-earth voltage over a span."""
        total = span = 0.0
        for s in self.between(a_s, b_s):
            lo, hi = max(a_s, s.t0_s), min(b_s, s.t1_s)
            if hi > lo:
                total += s.afloat.integral(hi - s.t0_s) - s.afloat.integral(lo - s.t0_s)
                span += hi - lo
        if span > 0.0:
            return total / span
        s = self.between(b_s, b_s)[0]
        return float(s.afloat.at(min(max(b_s, s.t0_s), s.t1_s) - s.t0_s))

    def find(self, t_s: float) -> Stretch:
        """Return the stretch that holds a time, or the nearest."""
        at = bisect.bisect_left(self._stretches, t_s, key=lambda s: s.t1_s)
        return self._stretches[min(at, len(self._stretches) - 1)]
