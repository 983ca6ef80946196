"""Moves the unit forward in time: steady stretches at once, changes step by step."""

from __future__ import annotations

import math

import numpy as np

from sim_instruments.plant.build import loss_w
from sim_instruments.plant.circuit import GRID, Circuit, load_law, run
from sim_instruments.plant.fast import Click, LoadEdge, ringing_of
from sim_instruments.plant.history import Afloat, History, Line, Moving, Steady
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.settings import LoadDemand
from sim_instruments.plant.standing import REST_NOISE_HZ, Standing
from sim_instruments.plant.steady import Cycle
from sim_instruments.plant.stepping import Floats

__all__ = ["SLOW_DYNAMIC_HZ", "Engine"]

TICK_S = 1.0
RAMP_STEP_S = 200e-6
SLOW_DYNAMIC_HZ = 50.0
SOON_S = 60.0


class Engine(Standing):
    """The unit between the calls of `advance`. Not thread-safe: the Plant locks."""

    def __init__(self, parts: Parts, seed: int, start_s: float) -> None:
        super().__init__(parts, seed, start_s)
        self.history = History()
        self.kicks: list[LoadEdge | Click] = []
        self.load_since_s = start_s
        self._next_tick_s = start_s
        self._ramp: tuple[float, float, float, float] | None = None  # t0, t1, level0, level1
        self._edge_s = math.inf
        self._on_b = False
        self._v_m = 0.0
        self._disturbed = True  # somebody did something since the unit was last steady
        self._pass_j = 0.0
        self._pass_s = 0.0
        self._inlet_a = 0.0

    # ---- controls -------------------------------------------------------------------

    def set_load(self, load: LoadDemand) -> None:
        """Take a new demand at the present instant."""
        t, before = self.state.t_s, self.load_level if self.settings.load.mode == "cc" else 0.0
        i_before = self.state.i_load - self._g_ext() * self.state.v_out
        self.settings.load = load
        self.load_since_s = t
        self._ramp, self._edge_s, self._on_b = None, math.inf, False
        level = load.level
        if load.is_dynamic and load.level_b is not None:
            if load.frequency_hz > SLOW_DYNAMIC_HZ:
                level = load.duty * load.level + (1.0 - load.duty) * load.level_b
            else:
                self._edge_s = t + load.duty / load.frequency_hz
        self._go_to(before if load.mode == "cc" else level, level, i_before)
        self.log("load", mode=load.mode, level=level)

    def _go_to(self, before: float, level: float, i_before: float) -> None:
        load, t = self.settings.load, self.state.t_s
        rise = abs(level - before) / load.slew_a_per_s if load.mode in ("cc", "off") else 0.0
        self.load_level, self._disturbed = level, True
        if rise > RAMP_STEP_S:
            self._ramp = (t, t + rise, before, level)
            self.load_level = before
        self.dirty()
        circuit, _ = self.circuit()
        a, g = load_law(circuit, self.state.v_out)
        i_now = a + (g - circuit.g_ext_s) * self.state.v_out
        step = i_now - i_before
        if rise <= RAMP_STEP_S and abs(step) > 1e-4 and self.state.mode == 1 and self.is_live():
            if rise == 0.0:
                rise = abs(step) / load.slew_a_per_s
            ringing = ringing_of(self.parts.regulator)
            self.kicks.append(LoadEdge(t, step, rise, ringing, load.l_lead_h))
        if self.state.mode == 1 and self._ramp is None:
            self.state.v_out -= circuit.r_out_ohm * step
            self.state.v_raw -= circuit.esr_ohm * step  # the capacitor feeds it at once
            self.state.i_c -= step
            self.state.i_pass += step
        self.state.i_load = i_now + circuit.g_ext_s * self.state.v_out

    def power(self, on: bool) -> None:
        """Switch the mains."""
        if on == self.settings.mains_on:
            return
        self.settings.mains_on = on
        t = self.state.t_s
        if on:
            self.power_since_s = t if t >= self.power_until_s else self.power_since_s
            self.power_until_s = math.inf
        else:
            self.power_until_s = t + self.parts.regulator.hold_up_s
        self.log("mains", on=on)
        self.dirty()

    def line_changed(self) -> None:
        """Line voltage or frequency moved: the coils feel it at once."""
        self._disturbed = True
        self.dirty()
        self._drive()

    def set_changed(self) -> None:
        """Set-point moved: relays that follow the set value decide at once."""
        self._disturbed = True
        if self.parts.taps.sense == "set" and self.is_live() and self.relays.compare(self.goal_v()):
            self._drive()
        self.dirty()

    # ---- time -----------------------------------------------------------------------

    def advance(self, now_s: float) -> None:
        """Bring the unit to a time."""
        while self.state.t_s < now_s - 1e-9:
            t = self.state.t_s
            if t >= self._next_tick_s - 1e-9:
                self._tick()
            self._stretch(min(now_s, self._next_event_s()))
            self._due()

    def _next_event_s(self) -> float:
        t = self.state.t_s
        times = [self._next_tick_s, self.relays.next_s(), self._edge_s]
        if self.power_until_s < math.inf:
            times.append(self.power_until_s)
        times.append(self.power_since_s + self.parts.regulator.start_delay_s)
        if self.settings.by_knob and self.parts.knob.wiper_rest_noise_v > 0.0:
            times.append((math.floor(t * REST_NOISE_HZ + 1e-6) + 1.0) / REST_NOISE_HZ)
        for dip in self.dips:
            times += [dip.start_s, dip.start_s + dip.length_s]
        return min(x for x in times if x > t + 1e-9)

    def _due(self) -> None:
        t = self.state.t_s
        for m in self.relays.take(t):
            self.dirty()
            if m.bounce:
                self.log("bounce", relay=m.relay)
            elif m.contact is not None:
                self.kicks.append(Click(t, 4e-3 * self.noise[m.relay + int(t * 1e3) % 999], 2e-6))
                self.log("contact", relay=m.relay, made=m.contact, tap=self.relays.tap())
        load = self.settings.load
        if t >= self._edge_s - 1e-9 and load.level_b is not None:
            self._on_b = not self._on_b
            part = (1.0 - load.duty) if self._on_b else load.duty
            self._edge_s += part / load.frequency_hz
            to = load.level_b if self._on_b else load.level
            self._go_to(self.load_level, to, self.state.i_load - self._g_ext() * self.state.v_out)
        dips = [d for d in self.dips if d.start_s + d.length_s > t - 1.0]
        if self.dips and any(
            abs(t - x) < 2e-9 for d in self.dips for x in (d.start_s, d.start_s + d.length_s)
        ):
            self.dirty()
        self.dips = dips
        if self.settings.by_knob and self.parts.knob.wiper_rest_noise_v > 0.0:
            self.dirty()
        marks = (self.power_until_s, self.power_since_s + self.parts.regulator.start_delay_s)
        if any(abs(t - x) < 2e-9 for x in marks):
            self._power_changed()

    def _g_ext(self) -> float:
        return self.circuit()[0].g_ext_s

    def _power_changed(self) -> None:
        if not self.powered():
            self.relays.above = [False] * len(self.relays.above)
        self._drive()
        self.dirty()

    def _tick(self) -> None:
        dt = self._next_tick_s - self.start_s
        watts = self._pass_j / self._pass_s if self._pass_s > 0.0 else 0.0
        if dt > 0.0:
            was = self.heat.tripped
            self.heat.step(TICK_S, watts)
            self.line_state.step(TICK_S, self._inlet_a)
            if was != self.heat.tripped:
                self.log("thermal", tripped=self.heat.tripped)
        self._pass_j = self._pass_s = 0.0
        self._next_tick_s += TICK_S
        self.dirty()
        self.relays.scale = self.threshold_scale()
        if self.relays.above:
            self._drive()
        horizon = self.state.t_s - SOON_S
        self.kicks = [k for k in self.kicks if k.t0_s > horizon]

    def _drive(self) -> None:
        t = self.state.t_s
        for relay, on in self.relays.drive(t, self.coil_rail_v()):
            self.log("coil", relay=relay, energised=on, v_out=self.state.v_out)
            self.dirty()

    def _stretch(self, t_end_s: float) -> None:
        circuit, line = self.circuit()
        if self._ramp is not None:
            self._ramp_step(circuit, line, t_end_s)
            return
        was_steady = isinstance(self.history.last(), Steady) and not self._disturbed
        found = self.store.match(circuit, self.state, not self.relays.motions, was_steady)
        if found is not None:
            self._disturbed = False
            cycle, shift = found
            self._add_steady(circuit, line, cycle, shift, t_end_s)
            return
        cycle_s = (GRID - (self.state.phase % 1.0) * GRID + 1e-6) / (GRID * circuit.f_hz)
        self._move(circuit, line, min(t_end_s, self.state.t_s + max(cycle_s, 1e-4)))

    def _ramp_step(self, circuit: Circuit, line: Line, t_end_s: float) -> None:
        if self._ramp is None:
            return
        t0, t1, a, b = self._ramp
        t_end_s = min(t_end_s, self.state.t_s + 20e-3, t1)
        parts, crossed = [self._row()], False
        while self.state.t_s < t_end_s - 1e-9 and not crossed:
            step_end = min(self.state.t_s + RAMP_STEP_S, t_end_s)
            circuit.load_level = a + (b - a) * (step_end - t0) / (t1 - t0)
            crossed, rows = run(circuit, self.state, step_end)
            parts.append(rows)
        self.load_level = circuit.load_level
        if self.state.t_s >= t1 - 1e-9:
            self._ramp, self.load_level = None, b
            self.dirty()
        self._record(np.concatenate(parts), line)
        if crossed:
            self._crossed()

    def _row(self) -> Floats:
        return self.state.row(self._g_ext())

    def _move(self, circuit: Circuit, line: Line, t_end_s: float) -> None:
        before = self._row()
        crossed, rows = run(circuit, self.state, t_end_s)
        self._record(np.concatenate([before, rows]), line)
        if crossed:
            self._crossed()

    def _crossed(self) -> None:
        if self.relays.compare(self.state.sense_v):
            self._drive()
        self.dirty()

    def _record(self, rows: Floats, line: Line) -> None:
        table = np.ascontiguousarray(rows[:, :6].T)
        t, waves = table[0], table[1:]
        t0, t1 = float(t[0]), float(t[-1])
        phase0 = self.state.phase - (t1 - t0) * line.f_hz
        stretch = Moving(
            t0, t1, phase0, line, self._float_from(t1 - t0, float(waves[1, -1])), self.relays.tap(),
            self._coils(), self.wanted_v(), t, waves,
        )  # fmt: skip
        self.history.add(stretch)
        self._pass_j += float(np.trapezoid(loss_w(self.parts, waves[0], waves[1], waves[3]), t))
        self._pass_s += t1 - t0
        self._inlet_a = line.ratio * float(np.sqrt(np.mean(waves[2] ** 2)))

    def _add_steady(
        self, c: Circuit, line: Line, cycle: Cycle, shift: float, t_end_s: float
    ) -> None:
        s = self.state
        dt = t_end_s - s.t_s
        afloat = self._float_from(dt, cycle.mean("out") + shift)
        self.history.add(
            Steady(s.t_s, t_end_s, s.phase, line, afloat, self.relays.tap(), self._coils(),
                   self.wanted_v(), cycle, shift)
        )  # fmt: skip
        self.store.finish(c, s, cycle, shift, dt)
        summary = self.store.summary(cycle)
        watts = loss_w(self.parts, summary.raw_v, cycle.mean("out") + shift, summary.pass_a)
        self._pass_j += (watts + summary.pass_ac_w) * dt
        self._pass_s += dt
        self._inlet_a = line.ratio * summary.rect_rms_a

    def _coils(self) -> tuple[float, ...]:
        rail = self.coil_rail_v()
        return tuple(rail if on else 0.0 for on in self.relays.coils)

    def _float_from(self, dt_s: float, v_out: float) -> Afloat:
        view = self.earth_view()
        rest = -view.share * v_out
        jitter = self.parts.earth.pickup_v * min(1e-6 / (view.g_plus_s + view.g_minus_s), 1.0)
        a = Afloat(self._v_m, rest, view.tau_s, view.ac_v_rms, view.ac_phase, jitter)
        self._v_m = float(a.at(dt_s))
        return a
