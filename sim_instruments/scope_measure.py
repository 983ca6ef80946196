"""Figures that the scope takes from a record by itself."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["frequency_hz", "measure"]

Floats = NDArray[np.float64]


def measure(what: str, volts: Floats, step_s: float) -> float:
    """Give one figure of a record in volts or hertz; NaN when it cannot be told."""
    if volts.size == 0:
        return math.nan
    return _FIGURES[what](volts, step_s)


def frequency_hz(volts: Floats, step_s: float) -> float:
    """Frequency from rising crossings of the middle, a tenth of the swing being hysteresis."""
    low, high = float(np.min(volts)), float(np.max(volts))
    if high <= low:
        return math.nan
    middle, dead = (low + high) / 2, (high - low) / 10
    state = np.where(volts > middle + dead, 1, np.where(volts < middle - dead, -1, 0))
    decided = np.flatnonzero(state)
    if decided.size == 0:
        return math.nan
    rising = decided[1:][np.diff(state[decided]) > 0]
    if rising.size < 2:
        return math.nan
    return float((rising.size - 1) / ((rising[-1] - rising[0]) * step_s))


_FIGURES: dict[str, Callable[[Floats, float], float]] = {
    "VPP": lambda v, _: float(np.max(v)) - float(np.min(v)),
    "VMAX": lambda v, _: float(np.max(v)),
    "VMIN": lambda v, _: float(np.min(v)),
    "VAV": lambda v, _: float(np.mean(v)),
    "VRMS": lambda v, _: math.sqrt(float(np.mean(np.square(v)))),
    "VACR": lambda v, _: float(np.std(v)),
    "FREQ": frequency_hz,
}
