"""What is really so: for tests to compare with, never for an instrument to read."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim_instruments.plant.build import reject_gain
from sim_instruments.plant.fast import ringing_of
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.steady import Cycle, find_cycle
from sim_instruments.plant.stepping import Floats

if TYPE_CHECKING:
    from sim_instruments.plant.engine import Engine

__all__ = ["RippleTruth", "Truth"]


@dataclass(frozen=True, slots=True)
class RippleTruth:
    """Ripple at the output from the mains side alone, without noise: volts."""

    pp_v: float
    rms_v: float
    mean_v: float
    raw_pp_v: float
    raw_min_v: float


class Truth:
    """Reads the parts and the state of a plant."""

    def __init__(self, engine: Engine, healthy: Parts) -> None:
        self._engine = engine
        self.healthy = healthy

    @property
    def parts(self) -> Parts:
        """Parts as they are now."""
        return self._engine.parts

    @property
    def tap_up_v(self) -> tuple[float, ...]:
        """Mean output volts at which each tap changes upwards, at light load, now."""
        e = self._engine
        kick = e.parts.taps.coil_kick_v
        scale = e.threshold_scale()
        return tuple(v * scale + kick * k for k, v in enumerate(e.parts.taps.up_v))

    @property
    def tap_down_v(self) -> tuple[float, ...]:
        """Mean output volts at which each tap changes back, at light load, now."""
        e = self._engine
        kick = e.parts.taps.coil_kick_v
        scale = e.threshold_scale()
        return tuple(v * scale + kick * (k + 1) for k, v in enumerate(e.parts.taps.down_v))

    @property
    def tap(self) -> int:
        """Selected winding, from 0; -1 while a contact travels."""
        return self._engine.relays.tap()

    @property
    def relay_transitions(self) -> int:
        """How often contacts arrived."""
        return self._engine.relays.transitions

    @property
    def output_ohm(self) -> float:
        """Static output resistance."""
        reg = self._engine.parts.regulator
        return reg.r_out_ohm + reg.sense_lead_ohm

    def impedance_ohm(self, f_hz: float, lead_h: float = 0.0) -> float:
        """Magnitude of the output impedance at a frequency, behind a lead of so much henry."""
        r = ringing_of(self._engine.parts.regulator)
        s = 2j * math.pi * f_hz
        z = r.z0_ohm * r.omega * s / (s * s + 2.0 * r.zeta * r.omega * s + r.omega**2)
        return abs(z + self.output_ohm + r.esr_ohm * s / (s + 2.0 * r.omega) + s * lead_h)

    @property
    def load_lead_h(self) -> float:
        """Inductance between the output and the point where the load draws its current."""
        return self._engine.settings.load.l_lead_h

    @property
    def goal_v(self) -> float:
        """Where the loop wants the output at no load."""
        return self._engine.goal_v()

    @property
    def setting_gain(self) -> float:
        """Output volts for a volt of set-point, offset aside."""
        e = self._engine
        return e.reference() * (1.0 if e.settings.by_knob else e.parts.knob.dac_gain)

    @property
    def limit_a(self) -> float:
        """Current limit in force at 0 V."""
        return self._engine.limit_a()

    @property
    def r_plus_earth_ohm(self) -> float:
        """Leak from plus to earth, attachments not included."""
        return self._engine.parts.earth.r_plus_ohm

    @property
    def r_minus_earth_ohm(self) -> float:
        """Leak from minus to earth, attachments not included."""
        return self._engine.parts.earth.r_minus_ohm

    @property
    def rejection(self) -> float:
        """Output volts for a volt of raw at low frequency."""
        return reject_gain(self._engine.parts)

    @property
    def raw_v(self) -> float:
        """Raw voltage at this instant."""
        return self._engine.state.v_raw

    @property
    def out_v(self) -> float:
        """Output voltage at this instant, noise and fast answers aside."""
        return self._engine.state.v_out

    @property
    def set_v(self) -> float:
        """Set-point after the knob or the remote converter."""
        return self._engine.wanted_v()

    @property
    def steady_solutions(self) -> int:
        """How many steady cycles had to be found so far."""
        return self._engine.store.solved

    @property
    def line_hz(self) -> float:
        """Line frequency now."""
        e = self._engine
        return e.settings.mains_f_hz + e.line_state.f_offset_hz

    @property
    def winding_ohm(self) -> float:
        """Resistance of the selected winding with its contact, bad joints aside."""
        winding = self._engine.relays.winding()
        return winding.r_ohm if winding is not None else math.inf

    @property
    def earth_across_s(self) -> float:
        """Conductance that the paths to earth put between plus and minus, siemens."""
        return self._engine.earth_view().g_across_s

    def wave(self, column: str, t_s: Floats) -> Floats:
        """One of "raw", "out", "rect", "pass", "load" at times: the circuit's own wave.

        Volts and amperes; without noise and without what is faster than the circuit's grid.
        """
        return self._engine.history.values(column, t_s)

    def cycle(self, load_a: float, set_v: float, line_share: float | None = None) -> Cycle | None:
        """Steady cycle at another point with the winding now selected.

        ``line_share`` is of the line voltage that was set, its wander left out; None: the line
        as it is now.
        """
        e = self._engine
        now, line = e.circuit()[:2]
        circuit = copy.copy(now)
        if line_share is not None:
            circuit.emf_v = line.ratio * line_share * e.settings.mains_v_rms
        circuit.goal_v = set_v
        circuit.load_kind, circuit.load_level = ("cc", load_a) if load_a > 0.0 else ("off", 0.0)
        circuit.load_v_min, circuit.sense_on = 0.1, False
        near = copy.copy(e.state)
        near.v_out = near.target_v = set_v
        near.i_load, near.i_pass = load_a, load_a
        return find_cycle(circuit, near)

    def ripple(self, load_a: float, set_v: float) -> RippleTruth | None:
        """Ripple at another point with the winding now selected."""
        c = self.cycle(load_a, set_v)
        if c is None:
            return None
        out, raw = c.waves[1], c.waves[0]
        return RippleTruth(
            float(out.max() - out.min()), float(out[:-1].std()), float(out[:-1].mean()),
            float(raw.max() - raw.min()), float(raw.min()),
        )  # fmt: skip
