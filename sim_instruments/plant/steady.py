"""Periodic steady state of the circuit: one mains cycle that repeats itself.

Found by shooting on the reservoir voltage with Aitken's acceleration: the map of one cycle
contracts with a nearly constant factor m, so that its fixed point is estimated from two
runs as y + m/(1 - m)·(y - x).
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sim_instruments.plant.circuit import GRID, Circuit, State, run
from sim_instruments.plant.stepping import Floats

__all__ = ["COLUMNS", "Cycle", "find_cycle"]

COLUMNS = {"raw": 0, "out": 1, "rect": 2, "pass": 3, "load": 4}
RESERVOIR_TOL_V = 1e-4
OUTPUT_TOL_V = 2e-6


@dataclass(frozen=True, slots=True)
class Cycle:
    """One periodic mains cycle on GRID + 1 phase points (first equals last).

    waves: shape (5, GRID + 1), rows as in COLUMNS, volts and amperes.
    running: integral of waves over phase from 0, shape as waves.
    """

    f_hz: float
    waves: Floats
    running: Floats
    mode: int
    start: State
    slope: float = 0.9  # how much of a disturbance is left after one cycle
    emf_v: float = 0.0
    notes: dict[Any, Any] = field(default_factory=dict)  # figures worked out once

    def mean(self, column: str) -> float:
        """Mean over the cycle."""
        return float(self.running[COLUMNS[column], -1])

    def low(self, column: str) -> float:
        """Return the lowest value in the cycle."""
        return float(self.waves[COLUMNS[column]].min())

    def high(self, column: str) -> float:
        """Return the highest value in the cycle."""
        return float(self.waves[COLUMNS[column]].max())


def _cycle_of(c: Circuit, first: State, rows: Floats, slope: float) -> Cycle:
    body = rows[:, 1:6].T
    waves = np.concatenate([body[:, -1:], body], axis=1)
    steps = 0.5 * (waves[:, 1:] + waves[:, :-1]) / GRID
    running = np.concatenate([np.zeros((5, 1)), np.cumsum(steps, axis=1)], axis=1)
    mode = int(np.bincount(rows[:, 6].astype(int)).argmax())
    return Cycle(c.f_hz, waves, running, mode, first, slope, c.emf_v)


def _guess(c: Circuit, s: State) -> float:
    draw = max(s.i_pass + c.i_quiescent_a, 0.0)
    peak = abs(c.emf(0.25)) if c.firing < 0.5 else c.emf_peak_v()
    drop = c.in_series * (0.45 + 0.1 * math.log10(1.0 + 1e3 * draw)) + 3.0 * draw * c.r_pos_ohm
    return max(peak - drop, 0.0)


def find_cycle(
    c: Circuit, near: State, like: Cycle | None = None, max_cycles: int = 40
) -> Cycle | None:
    """Find the steady cycle of this circuit, or None when it does not settle soon.

    near: state whose output side the search starts from; like: a cycle that is nearly
    this one, to start from its reservoir.
    """
    s = copy.copy(near)
    s.t_s, s.phase, s.target_v = 0.0, 0.0, c.goal_v
    s.v_c, slope, s.i_c = _guess(c, near), 0.4, 0.0
    if like is not None:  # raw follows the EMF with about 1.34 V for a volt rms
        s.v_c = max(like.start.v_c + 1.34 * (c.emf_v - like.emf_v), 0.0)
        s.i_c, s.i_rect, slope = like.start.i_c, like.start.i_rect, like.slope
    s.v_raw = s.v_c + c.esr_ohm * s.i_c
    x_before: float | None = None
    y_before, settled = 0.0, like is not None
    for _ in range(max_cycles):
        first = copy.copy(s)
        x, vo = s.v_c, s.v_out
        crossed, rows = run(c, s, s.t_s + 1.0 / c.f_hz)
        if crossed:
            return None  # a comparator trips: not steady
        y = s.v_c
        if x_before is not None and abs(x - x_before) > 1e-7:
            slope = min(max((y - y_before) / (x - x_before), 0.0), 0.995)
            settled = True
        err_v = abs(y - x) / (1.0 - slope)
        if err_v < RESERVOIR_TOL_V and abs(s.v_out - vo) < OUTPUT_TOL_V and settled:
            return _cycle_of(c, first, rows[-GRID:], slope)
        x_before, y_before = x, y
        if not rows[:, 3].any() and c.emf_v > 0.0:
            s.v_c = min(y, c.emf_peak_v() - 0.1 * c.in_series)  # nothing conducts yet
        else:
            s.v_c = y + slope / (1.0 - slope) * (y - x)
        s.v_c = max(s.v_c, 0.0)
    return None
