"""Steady cycles drawn from solved neighbours, while the regulator regulates.

Then the raw side sees nothing of the output but a constant current, and its waves follow
EMF and current smoothly: cycles are solved at steps of 0.8 % in EMF and 6 % in current, and
those between are mixed from the four around them: raw mean within 1 mV, raw p-p within
0.2 %, output within 1 µV of solving (tested). Line frequency moves the waves so
little over its wander that the nearest tenth of a hertz serves.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np

from sim_instruments.plant.circuit import GRID, Circuit, State
from sim_instruments.plant.steady import COLUMNS, Cycle

__all__ = ["DrawnCycles"]

EMF_STEP = math.log(1.008)
DRAW_STEP = math.log(1.06)
KEEP = 600
ROOM_V = 0.05
_ONE = np.linspace(0.0, 1.0, GRID + 1)  # what the running integral of 1 is


class DrawnCycles:
    """Solved cycles on the grid, and mixtures of them. ``solve`` finds a cycle exactly."""

    def __init__(self, solve: Callable[[Circuit, State], Cycle | None]) -> None:
        self._solve = solve
        self._nodes: dict[Any, tuple[Cycle, Circuit] | None] = {}

    def clear(self) -> None:
        """Forget everything (the parts changed)."""
        self._nodes.clear()

    def cycle(self, c: Circuit, s: State) -> Cycle | None:
        """Return the cycle of this circuit, None where mixing would not hold."""
        draw_a = _drawn_a(c)
        if not _regulates_plainly(c, draw_a):
            return None
        total_a = draw_a + c.i_quiescent_a
        emf_at, draw_at = math.log(c.emf_v) / EMF_STEP, math.log(total_a) / DRAW_STEP
        parts: list[tuple[float, Cycle]] = []
        for n_emf, emf_share in _corners(emf_at):
            for n_draw, draw_share in _corners(draw_at):
                node = self._node(c, s, n_emf, n_draw, draw_a)
                if node is None:
                    return None
                parts.append((emf_share * draw_share, node))
        lowest_v = min(one.low("raw") for _, one in parts)
        if lowest_v < c.goal_v + c.dropout_v + c.dropout_ohm * draw_a + ROOM_V:
            return None
        return _mixed(c, parts)

    def _node(self, c: Circuit, s: State, n_emf: int, n_draw: int, draw_a: float) -> Cycle | None:
        f_hz = round(c.f_hz, 1)
        key = (
            n_emf, n_draw, f_hz, c.r_pos_ohm, c.r_neg_ohm, c.g_ext_s,
            c.goal_v == 0.0,  # then the loop is at its stop and passes nothing of the raw side on
        )  # fmt: skip
        if key not in self._nodes:
            at = replace(
                c, emf_v=math.exp(n_emf * EMF_STEP), f_hz=f_hz,
                i_quiescent_a=math.exp(n_draw * DRAW_STEP) - draw_a,
            )  # fmt: skip
            solved = self._solve(at, s)
            while len(self._nodes) >= KEEP:
                self._nodes.pop(next(iter(self._nodes)))
            fit = solved is not None and (solved.mode == 1 or (c.goal_v == 0.0 and solved.mode > 2))
            self._nodes[key] = (solved, at) if solved is not None and fit else None
        hit = self._nodes[key]
        return None if hit is None else _moved(*hit, c)


def _drawn_a(c: Circuit) -> float:
    return (c.load_level if c.load_kind == "cc" else 0.0) + c.g_ext_s * c.goal_v


def _regulates_plainly(c: Circuit, draw_a: float) -> bool:
    loaded = c.load_kind == "cc" and c.goal_v > c.load_v_min + 0.05
    if not (loaded or c.load_kind == "off") or c.bulk_ratio or c.pass_g_s or c.shorted:
        return False
    limit_a = c.i_limit_a - c.limit_g_s * c.goal_v - c.limit_knee_a
    return (
        c.emf_v > 1.0
        and (c.goal_v > 0.05 or (c.goal_v == 0.0 and not loaded))
        and c.pos
        and c.neg
        and c.firing == 0.0
        and draw_a + c.i_quiescent_a > 1e-3
        and (c.goal_v == 0.0 or draw_a < limit_a - 0.01)
    )


def _corners(place: float) -> tuple[tuple[int, float], tuple[int, float]]:
    low = math.floor(place)
    return (low, 1.0 - (place - low)), (low + 1, place - low)


def _moved(cycle: Cycle, solved: Circuit, c: Circuit) -> Cycle:
    """Carry a solved cycle over to another set point and load current of the same total."""
    by_a = _drawn_a(c) - _drawn_a(solved)
    by = {
        "out": c.goal_v - solved.goal_v - c.r_out_ohm * by_a,
        "pass": by_a,
        "load": (c.load_level if c.load_kind == "cc" else 0.0)
        - (solved.load_level if solved.load_kind == "cc" else 0.0),
    }
    waves, running = cycle.waves.copy(), cycle.running.copy()
    for column, step in by.items():
        waves[COLUMNS[column]] += step
        running[COLUMNS[column]] += step * _ONE
    start = replace(
        cycle.start, v_out=cycle.start.v_out + by["out"], target_v=c.goal_v,
        i_pass=cycle.start.i_pass + by_a, i_load=cycle.start.i_load + by_a,
    )  # fmt: skip
    return replace(cycle, waves=waves, running=running, start=start, notes={})


def _mixed(c: Circuit, parts: list[tuple[float, Cycle]]) -> Cycle:
    start = {
        f.name: sum(share * getattr(one.start, f.name) for share, one in parts)
        for f in fields(State)
        if f.name != "mode"
    }
    return Cycle(
        f_hz=c.f_hz,
        waves=np.asarray(sum(share * one.waves for share, one in parts)),
        running=np.asarray(sum(share * one.running for share, one in parts)),
        mode=parts[0][1].mode,
        start=State(**start),
        slope=sum(share * one.slope for share, one in parts),
        emf_v=c.emf_v,
    )
