"""What holds at an instant: gains, supplies, thresholds, and the circuit they make."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from typing import Any

import numpy as np

from sim_instruments.plant.build import Wiring, circuit_of, line_of
from sim_instruments.plant.circuit import Circuit, State, settled_draw
from sim_instruments.plant.earth import Branch, EarthView, view_of
from sim_instruments.plant.heat import Temperatures
from sim_instruments.plant.history import Line
from sim_instruments.plant.mains import Dip, LineState
from sim_instruments.plant.noise import gauss_table
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.relays import Relays
from sim_instruments.plant.settings import Settings
from sim_instruments.plant.steadiness import SteadyStore

__all__ = ["Standing"]

KEEP_EVENTS = 20_000
REST_NOISE_HZ = 10.0


class Standing:
    """Parts, settings and slow states of one unit, and what follows from them now."""

    def __init__(self, parts: Parts, seed: int, start_s: float) -> None:
        self.parts = parts
        self.settings = Settings(mains_v_rms=parts.mains.v_rms, mains_f_hz=parts.mains.f_hz)
        self.settings.limit_a = parts.regulator.i_max * 1.05
        self.state = State(start_s, 0.0)
        self.relays = Relays(parts.taps, np.random.default_rng([seed, 3]))
        self.line_state = LineState(parts.mains, np.random.default_rng([seed, 1]))
        self.heat = Temperatures(parts.heat, np.random.default_rng([seed, 2]))
        self.branches: dict[str, Branch] = {}
        self.events: deque[tuple[float, str, dict[str, Any]]] = deque(maxlen=KEEP_EVENTS)
        self.dips: list[Dip] = []
        self.noise = gauss_table(4096, seed)
        self.store = SteadyStore()
        self.start_s = start_s
        self.power_since_s = start_s - 1e3
        self.power_until_s = math.inf
        self.load_level = 0.0
        self._circuit: Circuit | None = None
        self._line: Line | None = None
        self._earth: EarthView | None = None

    def log(self, kind: str, **data: Any) -> None:
        """Note an event."""
        self.events.append((self.state.t_s, kind, data))

    def dirty(self) -> None:
        """Something moved: build the circuit anew before the next step."""
        self._circuit = None

    def new_parts(self, parts: Parts) -> None:
        """Take changed parts."""
        self.parts = parts
        self.relays.rebuild(parts.taps)
        self.heat.heat = parts.heat
        self.line_state.mains = parts.mains
        self.store.clear()
        self.dirty()

    def powered(self) -> bool:
        """Whether the control electronics has supply."""
        t = self.state.t_s
        reg = self.parts.regulator
        return t >= self.power_since_s + reg.start_delay_s and t < self.power_until_s

    def reference(self) -> float:
        """Gain of the reference as it is now (1 = nominal)."""
        reg = self.parts.regulator
        hours = (self.state.t_s - self.start_s) / 3600.0
        warm = reg.reference_tc_per_k * (self.heat.inside_c - 23.0)
        return reg.reference_gain * (1.0 + warm + reg.reference_drift_per_h * hours)

    def wanted_v(self) -> float:
        """Return the voltage that the knob or the remote set-point asks for, before errors."""
        s, knob, reg = self.settings, self.parts.knob, self.parts.regulator
        if not s.by_knob:
            step = knob.dac_step_v
            v = round(s.set_v / step) * step if step > 0.0 else s.set_v
            return v * knob.dac_gain + (knob.dac_offset_v if v > 0.0 else 0.0)
        if knob.wiper_open:
            return reg.v_max * 1.05 if knob.wiper_open == "full" else 0.0
        shake = self.noise[int(self.state.t_s * REST_NOISE_HZ) % 4096]
        at_rest = knob.wiper_rest_noise_v * float(shake)
        return s.knob * knob.span * reg.v_max + knob.offset_v + at_rest

    def goal_v(self) -> float:
        """Where the loop wants the output, 0 when it is off."""
        if not self.is_live():
            return 0.0
        reg = self.parts.regulator
        v = self.wanted_v() * self.reference() + reg.reference_offset_v + reg.sense_lift_v
        return max(v, 0.0)

    def is_live(self) -> bool:
        """Powered, output on, not tripped."""
        return self.settings.output_on and self.powered() and not self.heat.tripped

    def line_v_rms(self) -> float:
        """Line voltage ahead of the source resistance."""
        if not self.settings.mains_on:
            return 0.0
        v = self.settings.mains_v_rms * self.line_state.factor
        for dip in self.dips:
            if dip.start_s <= self.state.t_s + 1e-9 < dip.start_s + dip.length_s:
                v *= dip.left
        return v

    def coil_rail_v(self) -> float:
        """Supply of the relay coils: follows the line."""
        if not self.powered():
            return 0.0
        line = self.line_v_rms() / self.parts.transformer.v_nominal
        return self.parts.taps.coil_v * line * (1.0 - 0.02 * sum(self.relays.coils))

    def limit_a(self) -> float:
        """Current limit in force."""
        reg = self.parts.regulator
        return min(self.settings.limit_a, reg.i_max * 1.1) * reg.limit_gain + reg.limit_offset_a

    def earth_view(self) -> EarthView:
        """Reduce the network to earth as it is now."""
        if self._earth is None:
            v = self.line_v_rms()
            m = self.parts.mains
            earth = self.parts.earth
            if m.arrangement == "isolating-transformer":
                earth = replace(earth, stray_fraction=earth.stray_fraction * 0.1)
            self._earth = view_of(earth, self.branches, v, self.settings.mains_f_hz)
        return self._earth

    def circuit(self) -> tuple[Circuit, Line]:
        """Return the circuit and the line as they are now."""
        if self._circuit is not None and self._line is not None:
            return self._circuit, self._line
        self._earth = None
        view, s = self.earth_view(), self.settings
        load = s.load
        live = self.is_live()
        taps = self.parts.taps
        self.relays.scale = self.threshold_scale()
        wiring = Wiring(
            winding=self.relays.winding(),
            line_v_rms=self.line_v_rms(),
            f_hz=s.mains_f_hz + self.line_state.f_offset_hz,
            source_ohm=self.line_state.source_ohm(),
            goal_v=self.goal_v(),
            live=live,
            limit_a=self.limit_a(),
            g_across_s=view.g_across_s,
            farads_across=view.farads_across,
            load_kind=load.mode,
            load_level=self.load_level,
            load_v_min=load.v_min,
            load_i_max=load.i_max,
            sense_bounds_v=self.relays.bounds_v(),
            sense_kick_v=-taps.coil_kick_v * self.relays.contacts.count(True),
            noise=self.noise,
        )
        self._line = line_of(self.parts, wiring, s.mains_on)
        self._circuit = circuit_of(self.parts, wiring, self._line)
        if taps.kind == "preregulator" and live and self._line.on:
            reg = self.parts.regulator
            draw_a, out_v = settled_draw(self._circuit)
            need_v = out_v + reg.dropout_v + taps.prereg_headroom_v
            firing = self.store.firing(self._circuit, need_v, draw_a)
            self._circuit = replace(self._circuit, firing=firing)
        return self._circuit, self._line

    def threshold_scale(self) -> float:
        """Factor by which the tap thresholds have moved."""
        taps = self.parts.taps
        scale = 1.0 + taps.threshold_tc_per_k * (self.heat.inside_c - 23.0)
        return scale * (self.reference() if taps.from_reference else 1.0)
