"""Units with exactly the parts of a netlist, and a quick way to a running plant."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from runner.clock import VirtualClock
from sim_instruments.plant import LoadDemand, Parts, Plant, UnitSpec, design_unit
from sim_instruments.plant.parts import (
    Diode,
    Earth,
    Loop,
    Mains,
    Rectifier,
    Regulator,
    Reservoir,
    Switcher,
    TapControl,
    Transformer,
    Winding,
)

TWO_TAP = UnitSpec("linear-tapped", "relay", 24.0, 3.0, tap_up_v=(9.5,))
THREE_TAP = UnitSpec("linear-tapped", "relay", 36.0, 5.0, tap_up_v=(11.5, 23.5))
PLAIN = UnitSpec("linear", "none", 15.0, 2.0)
SWITCHER = UnitSpec("switch-mode", "none", 30.0, 10.0)


class Bench:
    """A plant and its clock."""

    def __init__(self, parts: Parts, seed: int = 1, faults: tuple[str, ...] = ()) -> None:
        self.clock = VirtualClock()
        self.plant = Plant(parts, self.clock, seed, faults)

    @property
    def now(self) -> float:
        return self.clock.mono_s()

    def wait(self, seconds: float) -> float:
        self.clock.sleep(seconds)
        return self.now

    def volts(self, seconds: float = 0.2, a: str = "plus", b: str = "minus") -> float:
        self.wait(seconds)
        return self.plant.mean_v(a, b, self.now - seconds, self.now)

    def at(self, volts: float, amperes: float = 0.0, settle_s: float = 1.0) -> Bench:
        self.plant.set_voltage(volts)
        mode = "cc" if amperes > 0.0 else "off"
        self.plant.set_load(LoadDemand(mode, amperes))  # type: ignore[arg-type]
        self.wait(settle_s)
        return self


def unit(spec: UnitSpec = TWO_TAP, seed: int = 1, *faults: str, calm: bool = True) -> Bench:
    """A designed unit; calm: no wander of the line."""
    parts = design_unit(spec, seed)
    if calm:
        parts = replace(parts, mains=replace(parts.mains, wander=0.0, f_wander_hz=0.0))
    return Bench(parts, seed, faults)


def farads(text: str) -> float:
    return float(text.removesuffix("u")) * 1e-6


QUIET = Regulator(
    v_max=40.0, i_max=1e3, dropout_v=0.0, dropout_ohm=0.0, line_rejection_db=300.0, r_out_ohm=0.0,
    quiescent_a=0.0, bleed_ohm=math.inf, limit_knee_a=0.0, limit_ohm=math.inf, c_out_f=1e-7,
    reference_tc_per_k=0.0, noise_v=0.0, loop=Loop(), start_delay_s=0.0,
)  # fmt: skip
NO_EARTH = Earth(1e15, 1e15, 1e-12, 1e-12, 1e-15, 0.5, 0.0)


def bench_of_point(p: dict[str, Any], settle_s: float = 8.0) -> Bench:
    """A plant with the parts of a netlist point, at that point's load."""
    half = bool(p.get("open"))
    topology = {"bridge": "bridge", "ct": "centre-tapped", "half": "half-wave"}[p["topo"]]
    diode = Diode(is_a=1e-9, n=0.02, rs_ohm=0.0) if p["id"].startswith("I") else Diode()
    rectifier = Rectifier(
        topology, diode, frozenset({2}) if half else frozenset(),  # type: ignore[arg-type]
        extra_neg_ohm=p.get("rsb", p["rs"]) - p["rs"],
    )  # fmt: skip
    reg, set_v, load = QUIET, 1.0, LoadDemand("off")
    leak = p.get("leak", math.inf)
    if "reg" in p:
        r = p["reg"]
        reg = replace(
            reg, dropout_v=r["vdo"] if "vdo" in r else r["drop"], quiescent_a=r["iq"],
            dropout_ohm=r.get("r", 0.0), r_out_ohm=r.get("r", 0.0),
            c_out_f=farads(r["cout"]) if "cout" in r else 1e-7,
        )  # fmt: skip
        set_v = r["vset"]
        load = LoadDemand("cr", r["rl"]) if "rl" in r else LoadDemand("cc", r["il"])
    elif "il" in p:
        load = LoadDemand("cc", p["il"], v_min=0.0)
    elif "rl" in p:
        leak, set_v = p["rl"], 0.0
    switcher = None
    if "power" in p:
        switcher = Switcher(standby_w=p["power"], efficiency=1.0)
        set_v = 0.0
    parts = Parts(
        regulator=reg,
        reservoir=Reservoir(farads(p["C"]), p["esr"], leak),
        taps=TapControl(windings=(Winding(p["vrms"], p["rs"]),)),
        rectifier=rectifier,
        transformer=Transformer(core_w=0.0, magnetising_a=0.0, aux_w=p.get("aux_w", 0.0)),
        mains=Mains(
            f_hz=p["f"], wander=0.0, f_wander_hz=0.0, third=p.get("third", 0.0),
            fifth=p.get("fifth", 0.0), source_ohm=p.get("primary_ohm", 0.0),
        ),
        earth=NO_EARTH,
        switcher=switcher,
    )  # fmt: skip
    bench = Bench(parts)
    bench.plant.set_current_limit(1e3)
    bench.plant.set_voltage(set_v)
    bench.plant.set_output(set_v > 0.0)
    bench.plant.set_load(load)
    bench.wait(settle_s)
    return bench


def wave(b: Bench, a: str = "plus", span_s: float = 0.1) -> np.ndarray:
    n = int(span_s / 10e-6)
    return b.plant.samples_v(a, "minus", b.now - span_s + np.arange(n) * 10e-6)


def amplitude(v: np.ndarray, f_hz: float) -> float:
    t = np.arange(v.size) * 10e-6
    return float(2.0 * abs(np.mean((v - v.mean()) * np.exp(-2j * np.pi * f_hz * t))))


def up_v(b: Bench) -> float:
    return b.plant.truth.tap_up_v[0]


def under(b: Bench, volts: float) -> float:
    """Set-point that leaves the output this far below the (first) tap point."""
    t = b.plant.truth
    offset = t.parts.regulator.reference_offset_v + t.parts.regulator.sense_lift_v
    return (up_v(b) - volts - offset) / t.setting_gain


def samples(b: Bench, span_s: float = 0.05, step_s: float = 10e-6, a: str = "plus") -> np.ndarray:
    n = round(span_s / step_s)
    return b.plant.samples_v(a, "minus", b.now - span_s + np.arange(n) * step_s)
