"""The plant: one unit on the bench, as every simulated instrument sees it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from runner.clock import Clock
from sim_instruments.plant.earth import Branch
from sim_instruments.plant.engine import Engine
from sim_instruments.plant.faults import ActiveFault, apply_fault, parse_fault
from sim_instruments.plant.inlet import inlet_between
from sim_instruments.plant.mains import Dip
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.probe import Probe
from sim_instruments.plant.settings import Inlet, LoadDemand
from sim_instruments.plant.stepping import Floats
from sim_instruments.plant.truth import Truth

__all__ = ["Plant"]


class Plant:
    """A unit under test conditions, advanced lazily to the injected clock's time.

    Times are the clock's monotonic seconds. Nodes: "plus", "minus", "earth", "raw",
    "coil1".."coil3". Past waves can be asked for as long as they lie in the last two
    minutes. Safe to share between threads.
    """

    def __init__(
        self, parts: Parts, clock: Clock, seed: int = 0, faults: Sequence[str] = ()
    ) -> None:
        self._lock = threading.RLock()
        self._clock = clock
        self._healthy = parts
        self._faults = [ActiveFault(parse_fault(text)) for text in faults]
        self._engine = Engine(parts, seed, clock.mono_s())
        self._probe = Probe(self._engine, seed)
        self._switch_faults()

    # ---- time and faults ------------------------------------------------------------

    def _now(self) -> float:
        """Bring everything to the clock's time and return it."""
        now = self._clock.mono_s()
        while True:
            waiting = [f for f in self._faults if not f.on]
            soon = [self._engine.start_s + f.fault.at_s for f in waiting if f.fault.at_s > 0.0]
            stop = min([now, *(t for t in soon if t > self._engine.state.t_s)])
            if any(f.fault.at_c is not None for f in waiting):
                stop = min(stop, self._engine.state.t_s + 1.0)
            self._engine.advance(stop)
            if waiting:
                self._switch_faults()
            if self._engine.state.t_s >= now - 1e-9:
                return now

    def _switch_faults(self) -> None:
        age = self._engine.state.t_s - self._engine.start_s
        warm = self._engine.heat.heatsink_c
        changed = False
        for f in self._faults:
            if not f.on and f.fault.is_due(age, warm):
                f.on = changed = True
                self._engine.log("fault", name=f.fault.name)
        if changed:
            parts = self._healthy
            for f in self._faults:
                if f.on:
                    parts = apply_fault(parts, f.fault)
            self._engine.new_parts(parts)

    @property
    def parts(self) -> Parts:
        """The parts as they are now, faults included."""
        return self._engine.parts

    @property
    def truth(self) -> Truth:
        """What only the maker of this world can know."""
        with self._lock:
            self._now()
            return Truth(self._engine, self._healthy)

    @property
    def events(self) -> list[tuple[float, str, dict[str, Any]]]:
        """What happened: (time, kind, data), oldest first."""
        with self._lock:
            self._now()
            return list(self._engine.events)

    # ---- controls -------------------------------------------------------------------

    def set_voltage(self, volts: float) -> None:
        """Remote set-point, volts."""
        with self._lock:
            self._now()
            s = self._engine.settings
            s.by_knob, s.set_v = False, max(volts, 0.0)
            self._engine.set_changed()

    def set_knob(self, fraction: float) -> None:
        """Turn the voltage knob to a fraction of its travel (0 to 1); the wiper crackles."""
        with self._lock:
            t = self._now()
            s, knob = self._engine.settings, self._engine.parts.knob
            noise = self._engine.noise[int(t * 977.0) % 4096]
            full = knob.span * self._engine.parts.regulator.v_max
            s.by_knob = True
            s.knob = min(max(fraction, 0.0), 1.0) + knob.wiper_noise_v * noise / full
            self._engine.set_changed()

    def knob_for(self, volts: float) -> float:
        """Fraction of the knob's travel that should give these volts on a healthy unit."""
        knob, reg = self._healthy.knob, self._healthy.regulator
        return min(max((volts - knob.offset_v) / (knob.span * reg.v_max), 0.0), 1.0)

    def set_current_limit(self, amperes: float) -> None:
        """Current limit, amperes."""
        with self._lock:
            self._now()
            self._engine.settings.limit_a = max(amperes, 0.0)
            self._engine.dirty()

    def set_output(self, on: bool) -> None:
        """Output switch."""
        with self._lock:
            self._now()
            if self._engine.settings.output_on != on:
                self._engine.settings.output_on = on
                self._engine.log("output", on=on)
                self._engine.set_changed()

    def set_load(self, demand: LoadDemand) -> None:
        """Give the load a new demand from now on."""
        with self._lock:
            self._now()
            self._engine.set_load(demand)

    def set_mains(self, v_rms: float, f_hz: float | None = None) -> None:
        """Line voltage (V rms) and frequency ahead of the arrangement."""
        with self._lock:
            self._now()
            self._engine.settings.mains_v_rms = v_rms
            if f_hz is not None:
                self._engine.settings.mains_f_hz = f_hz
            self._engine.line_changed()

    def mains_on(self, on: bool) -> None:
        """Mains switch."""
        with self._lock:
            self._now()
            self._engine.power(on)

    def dip(self, length_s: float, left: float) -> None:
        """Let the line fall to a part of its voltage for a while, from now."""
        with self._lock:
            now = self._now()
            self._engine.dips.append(Dip(now, length_s, left))
            self._engine.line_changed()

    def attach(self, name: str, node_a: str, node_b: str, ohms: float, farads: float = 0.0) -> None:
        """Tie something between two of plus, minus and earth; a name in use is replaced."""
        with self._lock:
            self._now()
            self._engine.branches[name] = Branch(node_a, node_b, ohms, farads)
            self._engine.dirty()

    def detach(self, name: str) -> None:
        """Take it away again; an unknown name is no error."""
        with self._lock:
            self._now()
            if self._engine.branches.pop(name, None) is not None:
                self._engine.dirty()

    # ---- what instruments ask -------------------------------------------------------

    def mean_v(self, a: str, b: str, t0_s: float, t1_s: float) -> float:
        """Mean of node a against node b over a span, volts."""
        with self._lock:
            self._now()
            return self._probe.mean_v(a, b, t0_s, t1_s)

    def rms_ac_v(self, a: str, b: str, t0_s: float, t1_s: float) -> float:
        """Rms of the voltage about its mean over a span, volts."""
        with self._lock:
            self._now()
            return self._probe.rms_ac_v(a, b, t0_s, t1_s)

    def samples_v(self, a: str, b: str, t_s: Floats) -> Floats:
        """Voltage at times (seconds, any order), shape as t."""
        with self._lock:
            self._now()
            return self._probe.samples_v(a, b, np.asarray(t_s, dtype=np.float64))

    def min_max_v(self, a: str, b: str, t_edges_s: Floats) -> Floats:
        """Lowest and highest voltage between neighbouring edges; shape (n_edges - 1, 2)."""
        with self._lock:
            self._now()
            return self._probe.min_max_v(a, b, np.asarray(t_edges_s, dtype=np.float64))

    def find_event(
        self, a: str, b: str, after_s: float, level_v: float, slope: str = "rising",
        window_v: float | None = None, until_s: float | None = None,
    ) -> float | None:  # fmt: skip
        """First time after `after_s` at which the voltage crosses the level, or None.

        slope: "rising", "falling" or "either". With window_v the event is leaving the band
        level ± window instead.
        """
        with self._lock:
            now = self._now()
            end = now if until_s is None else min(until_s, now)
            return self._probe.find_event(a, b, after_s, end, level_v, slope, window_v)

    def load_a(self, t0_s: float, t1_s: float) -> float:
        """Mean load current over a span, amperes."""
        with self._lock:
            self._now()
            return self._engine.history.mean("load", t0_s, t1_s)

    def samples_load_a(self, t_s: Floats) -> Floats:
        """Load current at times, amperes, shape as t."""
        with self._lock:
            self._now()
            return self._probe.samples_load_a(np.asarray(t_s, dtype=np.float64))

    def inlet(self, t0_s: float, t1_s: float) -> Inlet:
        """What a mains meter at the inlet reads over a span."""
        with self._lock:
            self._now()
            return inlet_between(self._engine.parts, self._engine.history, t0_s, t1_s)

    def temperature_c(self, where: str) -> float:
        """Temperature of "heatsink", "ambient", "inside" or "pass", degrees Celsius."""
        with self._lock:
            self._now()
            return float(getattr(self._engine.heat, f"{where}_c"))

    def panel_v(self) -> float:
        """Volts as the unit's own display shows them."""
        with self._lock:
            now = self._now()
            p = self._engine.parts.panel
            v = self._engine.history.mean("out", now - 0.3, now) * p.v_gain + p.v_offset
            return round(round(v / p.v_step) * p.v_step, 9)

    def panel_a(self) -> float:
        """Amperes as the unit's own display shows them."""
        with self._lock:
            now = self._now()
            p = self._engine.parts.panel
            i = self._engine.history.mean("load", now - 0.3, now) * p.a_gain + p.a_offset
            return round(round(max(i, 0.0) / p.a_step) * p.a_step, 9)

    def mode(self) -> str:
        """Return "off", "tripped", "cc" or "cv"."""
        with self._lock:
            self._now()
            if self._engine.heat.tripped:
                return "tripped"
            if not self._engine.is_live():
                return "off"
            return "cc" if self._engine.state.mode == 3 else "cv"

    def set_arrangement(self, chain: tuple[str, ...]) -> None:
        """Put these things between the socket and the unit (names of the bench file)."""
        from sim_instruments.plant.mains import arranged

        with self._lock:
            self._now()
            self._healthy = replace(self._healthy, mains=arranged(self._healthy.mains, chain))
            mains = arranged(self._engine.parts.mains, chain)
            self._engine.new_parts(replace(self._engine.parts, mains=mains))
