"""Knows the steady cycles that were found, and whether the unit is on one of them now."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sim_instruments.plant.circuit import GRID, Circuit, State
from sim_instruments.plant.drawn import DrawnCycles
from sim_instruments.plant.steady import COLUMNS, Cycle, find_cycle

__all__ = ["CycleSummary", "SteadyStore"]

KEEP = 1500  # entries; a cycle takes 32 kB and stands under two keys at most
NEAR_V = 1e-3  # how close a change must have come to its end
STEP_PART = 2e-3  # how far apart neighbouring steady cycles may lie (steps of the line's wander)
NEAR_OUT_V = 2e-4
AGAIN_S = 0.1
CREEP_V = 1e-3  # the reference creeps with heat: no transient worth following


@dataclass(frozen=True, slots=True)
class CycleSummary:
    """Figures of a cycle that are asked for often."""

    raw_v: float
    pass_a: float
    pass_ac_w: float  # part of the pass element's heat that the mean values do not show
    rect_rms_a: float
    sense_low_v: float
    sense_high_v: float
    sense_mean_v: float


class SteadyStore:
    """Cycles by what determines them."""

    def __init__(self) -> None:
        self._cycles: dict[Any, tuple[Cycle, float] | None] = {}
        self._firing: dict[Any, float] = {}
        self._retry_s = -math.inf
        self._last: dict[Any, Cycle] = {}
        self._drawn = DrawnCycles(self._solve_exactly)
        self.solved = 0

    def __len__(self) -> int:
        return len(self._cycles)

    def clear(self) -> None:
        """Forget everything (the parts changed)."""
        self._cycles.clear()
        self._last.clear()
        self._firing.clear()
        self._drawn.clear()

    def firing(self, c: Circuit, need_v: float, draw_a: float) -> float:
        """Part of each half-cycle that a controlled rectifier waits to leave need_v as valley."""
        key = ("firing", round(need_v, 1), round(draw_a, 1), round(c.emf_v, 1))
        hit = self._firing.get(key)
        if hit is not None:
            return hit
        early, late = GRID // 4, GRID // 2 - 4  # between the crest and the end of a half-cycle
        while late - early > 1:
            mid = (early + late) // 2
            tried = replace(
                c, firing=2.0 * mid / GRID, goal_v=0.0, sense_on=False,
                load_kind="off", i_quiescent_a=c.i_quiescent_a + draw_a,
            )  # fmt: skip
            cycle = find_cycle(tried, State(0.0, 0.0))
            enough = cycle is not None and cycle.low("raw") > need_v
            early, late = (mid, late) if enough else (early, mid)
        self._firing[key] = 2.0 * early / GRID if early > GRID // 4 else 0.0
        return self._firing[key]

    def match(
        self, c: Circuit, s: State, contacts_rest: bool, was_steady: bool
    ) -> tuple[Cycle, float] | None:
        """Return the steady cycle the state is on with the output's shift, or None.

        From one steady cycle to a neighbouring one the reservoir may jump by a few
        millivolts; a change must have died away.
        """
        if not contacts_rest:
            return None
        step = c.goal_v - s.target_v
        if step != 0.0:
            if abs(step) > CREEP_V or s.mode != 1:
                return None
            s.target_v, s.v_out = c.goal_v, s.v_out + step
        found = self._find(c, s)
        if found is None:
            return None
        cycle, shift = found
        if not self._is_near(c, s, cycle, shift, was_steady) or self._would_trip(
            c, s, cycle, shift
        ):
            return None
        return found

    def _key(self, c: Circuit, goal: float | None) -> Any:
        free = goal is None
        draw = c.load_level + (c.g_ext_s * c.goal_v if free else 0.0)
        return (
            round(c.emf_v, 4), round(c.f_hz, 4), c.r_pos_ohm, c.r_neg_ohm, c.firing,
            c.load_kind, round(draw, 4), goal, round(c.i_limit_a, 4), round(c.g_ext_s, 9),
            c.load_v_min, c.load_i_max,
        )  # fmt: skip

    def _find(self, c: Circuit, s: State) -> tuple[Cycle, float] | None:
        plain = c.load_kind in ("off", "cc") and c.goal_v > c.load_v_min and not c.bulk_ratio
        if plain and c.pass_g_s == 0.0 and not c.shorted:
            key = self._key(c, None)
            hit = self._cycles.get(key)
            if hit is not None:
                cycle, goal = hit
                room = cycle.low("raw") - c.goal_v - c.dropout_v - c.dropout_ohm * s.i_pass
                if cycle.mode == 1 and room > 0.05:
                    return cycle, c.goal_v - goal
        goal_key = self._key(c, round(c.goal_v, 3))
        if goal_key in self._cycles:
            hit = self._cycles[goal_key]
            if hit is not None:
                cycle, goal = hit
                return cycle, (c.goal_v - goal if cycle.mode == 1 else 0.0)
            if s.t_s < self._retry_s:
                return None
        solved = self._drawn.cycle(c, s) or self._solve_exactly(c, s)
        while len(self._cycles) > KEEP:
            self._cycles.pop(next(iter(self._cycles)))
        self._cycles[goal_key] = None if solved is None else (solved, c.goal_v)
        if solved is None:
            self._retry_s = s.t_s + AGAIN_S
            return None
        room = solved.low("raw") - c.goal_v - c.dropout_v - c.dropout_ohm * s.i_pass
        if plain and solved.mode == 1 and room > 0.05 and c.pass_g_s == 0.0 and not c.shorted:
            self._cycles[self._key(c, None)] = (solved, c.goal_v)
        return solved, 0.0

    def _solve_exactly(self, c: Circuit, s: State) -> Cycle | None:
        near = (c.r_pos_ohm, c.load_kind, round(c.load_level, 1), c.firing)
        was_on, c.sense_on = c.sense_on, False
        try:
            cycle = find_cycle(c, s, self._last.get(near))
        finally:
            c.sense_on = was_on
        self.solved += 1
        if cycle is not None:
            self._last[near] = cycle
        return cycle

    def _reservoir_v(self, c: Circuit, cycle: Cycle, phase: float) -> tuple[float, float, float]:
        pos = (phase % 1.0) * GRID
        k = min(int(pos), GRID - 1)
        w = cycle.waves[:, k] + (cycle.waves[:, k + 1] - cycle.waves[:, k]) * (pos - k)
        raw, out, rect, ip = float(w[0]), float(w[1]), float(w[2]), float(w[3])
        draw = ip + c.i_quiescent_a
        if c.bulk_ratio:  # constant power; as `stepping.advance` draws it
            draw = (out * ip / c.efficiency + c.standby_w) / raw if raw > 20.0 else 0.0
        i_c = abs(rect) - draw - c.g_leak_s * raw
        return raw - c.esr_ohm * i_c, i_c, out

    def _is_near(self, c: Circuit, s: State, cycle: Cycle, shift: float, was_steady: bool) -> bool:
        v_c, _, out = self._reservoir_v(c, cycle, s.phase)
        near_out = NEAR_OUT_V if cycle.mode == 1 else 2e-3
        return abs(v_c - s.v_c) < NEAR_V + (STEP_PART * abs(v_c) if was_steady else 0.0) and abs(
            out + shift - s.v_out
        ) < near_out + 1e-5 * abs(out)

    def summary(self, cycle: Cycle, c: Circuit | None = None) -> CycleSummary:
        """Figures of a cycle, with the comparator's input when the circuit is given."""
        key = (0.0, 0.0) if c is None else (c.sense_raw, c.sense_tau_s)
        hit = cycle.notes.get(key)
        if isinstance(hit, CycleSummary):
            return hit
        w = cycle.waves
        raw, out, rect, ip = w[0, :-1], w[1, :-1], w[2, :-1], w[3, :-1]
        low = high = mean = 0.0
        if c is not None:
            y = c.sense_out * out + c.sense_raw * raw
            freq = np.fft.rfftfreq(GRID, 1.0 / (GRID * cycle.f_hz))
            gain = 1.0 / (1.0 + 2j * np.pi * freq * c.sense_tau_s)
            z = np.fft.irfft(np.fft.rfft(y) * gain, GRID)
            low, high, mean = float(z.min()), float(z.max()), float(z.mean())
        raw_v, pass_a = float(raw.mean()), float(ip.mean())
        made = CycleSummary(
            raw_v,
            pass_a,
            float(np.mean((raw - out) * ip)) - (raw_v - float(out.mean())) * pass_a,
            float(np.sqrt(np.mean(rect * rect))),
            low,
            high,
            mean,
        )
        cycle.notes[key] = made
        return made

    def _would_trip(self, c: Circuit, s: State, cycle: Cycle, shift: float) -> bool:
        if not c.sense_on:
            return False
        m = self.summary(cycle, c)
        add = shift * c.sense_out + c.sense_kick_v
        h = 1.0 / (GRID * cycle.f_hz)
        k = h / c.sense_tau_s
        sigma = c.sense_noise_v * math.sqrt(k / (2.0 + k))
        margin = 4.5 * sigma
        if m.sense_high_v + add + margin > c.sense_up_v:
            return True
        if m.sense_low_v + add - margin < c.sense_down_v:
            return True
        still = abs(s.sense_v - m.sense_mean_v - add)
        ripple = m.sense_high_v - m.sense_low_v
        distance = min(c.sense_up_v - m.sense_high_v - add, m.sense_low_v + add - c.sense_down_v)
        return still > ripple + margin + 0.2 * max(distance, 0.0) + 1e-3

    def finish(self, c: Circuit, s: State, cycle: Cycle, shift: float, dt_s: float) -> None:
        """Move the state along the cycle by dt."""
        s.t_s += dt_s
        s.phase += dt_s * cycle.f_hz
        v_c, i_c, out = self._reservoir_v(c, cycle, s.phase)
        pos = (s.phase % 1.0) * GRID
        k = min(int(pos), GRID - 1)
        w = cycle.waves[:, k] + (cycle.waves[:, k + 1] - cycle.waves[:, k]) * (pos - k)
        s.v_c, s.i_c, s.v_raw, s.v_out = v_c, i_c, float(w[COLUMNS["raw"]]), out + shift
        s.i_rect, s.i_pass = float(w[COLUMNS["rect"]]), float(w[COLUMNS["pass"]])
        slope = float(cycle.waves[0, k + 1] - cycle.waves[0, k])
        s.raw_v_per_s = slope * GRID * cycle.f_hz
        s.i_load, s.mode = float(w[COLUMNS["load"]]) + c.g_ext_s * s.v_out, cycle.mode
        if c.sense_on:
            m = self.summary(cycle, c)
            s.sense_v = m.sense_mean_v + shift * c.sense_out + c.sense_kick_v
