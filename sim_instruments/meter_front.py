"""The meter's front end as numbers: ranges, accuracy class, noise, resolution, timing.

The accuracy class is common practice for a 6½-digit bench meter over one year: ± (% of reading +
% of range), integration of 10 power-line cycles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sim_instruments.accuracy import ErrorClass, TrueError, draw

__all__ = [
    "BENCH_METER",
    "DC_CLASS",
    "DC_RANGES_V",
    "NPLCS",
    "OVERRANGE",
    "FrontEnd",
    "MeterTruth",
    "auto_delay_s",
    "draw_truth",
    "next_up",
    "noise_rms",
    "nplc_for_resolution",
    "range_for",
    "resolution_of",
]

DC_RANGES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
AC_RANGES_V = (0.1, 1.0, 10.0, 100.0, 750.0)
OHM_RANGES = (100.0, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8)
NPLCS = (0.02, 0.2, 1.0, 10.0, 100.0)
OVERRANGE = 1.2

DC_CLASS = {
    0.1: ErrorClass(50e-6, 35e-6),
    1.0: ErrorClass(40e-6, 7e-6),
    10.0: ErrorClass(35e-6, 5e-6),
    100.0: ErrorClass(45e-6, 6e-6),
    1000.0: ErrorClass(45e-6, 10e-6),
}
AC_CLASS = {full: ErrorClass(6e-4, 4e-4) for full in AC_RANGES_V}
OHM_CLASS = {full: ErrorClass(1e-4, 1e-5) for full in OHM_RANGES[:5]} | {
    1e7: ErrorClass(4e-4, 1e-5),
    1e8: ErrorClass(8e-3, 1e-4),
}
_RESOLUTIONS = {0.02: 1e-4, 0.2: 1e-5, 1.0: 3e-6, 10.0: 1e-6, 100.0: 3e-7}


@dataclass(frozen=True)
class FrontEnd:
    """What a meter's front end is like: accuracy class by range, integration times, last digit.

    `counts` is how many steps a range has up to its name; None: a step that follows the
    integration time. `over_range` is how far a range reaches beyond its name.
    """

    dc: Mapping[float, ErrorClass]
    ac: Mapping[float, ErrorClass]
    ohms: Mapping[float, ErrorClass]
    nplcs: tuple[float, ...]
    over_range: float = OVERRANGE
    counts: float | None = None

    def ranges(self, function: str) -> tuple[float, ...]:
        """Full scales of a function, smallest first."""
        table = {"VOLT": self.dc, "VOLT:AC": self.ac, "RES": self.ohms}[function]
        return tuple(table)

    def step(self, full_scale: float, nplc: float) -> float:
        """Step of the last digit."""
        return full_scale / self.counts if self.counts else resolution_of(full_scale, nplc)

    def limit(self, full_scale: float) -> float:
        """Largest value that a range shows; the highest range has no over-range."""
        return full_scale if full_scale >= 500.0 else full_scale * self.over_range


BENCH_METER = FrontEnd(DC_CLASS, AC_CLASS, OHM_CLASS, NPLCS)


@dataclass
class MeterTruth:
    """Real errors by function and range; `noise` scales all noise (0 makes a quiet meter)."""

    volts: dict[float, TrueError]
    ac_volts: dict[float, TrueError]
    ohms: dict[float, TrueError]
    noise: float = 1.0

    def of(self, function: str) -> dict[float, TrueError]:
        """Errors of a function."""
        return {"VOLT": self.volts, "VOLT:AC": self.ac_volts, "RES": self.ohms}[function]


def draw_truth(random: np.random.Generator, front: FrontEnd = BENCH_METER) -> MeterTruth:
    """Draw an instance."""
    return MeterTruth(draw(random, front.dc), draw(random, front.ac), draw(random, front.ohms))


def next_up(steps: Sequence[float], value: float) -> float:
    """Smallest step that is not below the value."""
    return next((step for step in steps if step >= value * (1 - 1e-12)), steps[-1])


def resolution_of(full_scale: float, nplc: float) -> float:
    """Step of the last digit: that of the longest listed integration which is not longer."""
    listed = [listed for listed in _RESOLUTIONS if listed <= nplc * (1 + 1e-9)]
    return full_scale * _RESOLUTIONS[max(listed, default=NPLCS[0])]


def nplc_for_resolution(of_range: float) -> float:
    """Shortest integration with this resolution (fraction of range) or better."""
    return next((n for n in NPLCS if _RESOLUTIONS[n] <= of_range * (1 + 1e-9)), NPLCS[-1])


def noise_rms(full_scale: float, nplc: float) -> float:
    """Own noise: 3e-7 of range at 10 PLC, growing with the root of bandwidth, then faster."""
    quiet = 3e-7 * full_scale * math.sqrt(10.0 / max(nplc, 1.0))
    floor_v = 0.15e-6 * math.sqrt(10.0 / max(nplc, 1.0)) if full_scale < 1.0 else 0.0
    return math.hypot(quiet, floor_v) * (1.0 if nplc >= 1.0 else 3.0 / nplc**0.5)


def auto_delay_s(function: str, band_hz: float) -> float:
    """Settling delay before a reading when `TRIG:DEL:AUTO` is on."""
    if function == "VOLT:AC":
        return {3.0: 2.5, 20.0: 0.6, 200.0: 0.2}[band_hz]
    return 1.5e-3 if function == "VOLT" else 3e-3


def range_for(
    ranges: Sequence[float], now: float, magnitude: float, over: float = OVERRANGE
) -> float:
    """Range that autorange ends on: up above its over-range, down below 10 % of range."""
    if magnitude > over * now or magnitude < 0.1 * now:
        return next((r for r in ranges if magnitude <= over * r), ranges[-1])
    return now
