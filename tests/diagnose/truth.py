"""What is really so in a drawn unit, for the estimates: parts, and the plant's own valley."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np

from runner.checks.points import full_load_a
from runner.diagnose.estimate import Estimate
from runner.profile import Profile
from sim_instruments.plant import Parts, design_unit, parse_fault
from sim_instruments.plant.build import Wiring, circuit_of, line_of
from sim_instruments.plant.circuit import GRID, State
from sim_instruments.plant.faults import apply_fault
from sim_instruments.plant.inlet import primary_wave
from sim_instruments.plant.steady import Cycle, find_cycle

__all__ = ["parts_of", "truth_of"]

LOW_LINE = 0.9
WELL_BELOW = 0.4
"""Share of the output at which the raw side is looked at: no valley reaches down there."""
LIFTS = 1.05
"""Coil volts over pull-in below which the relay may stay down at low line."""
FALLEN = 0.95
"""The rail's own current is read on the way down, over the first tenth of the output."""
UNSURE = {"coil-weak", "relay-contact-worn", "tap-chatter", "tap-order-swapped", "pot-noisy",
          "pot-open", "pass-short", "pass-leak", "winding-open"}  # fmt: skip
"""With these the winding in use, its ohms or the output of the moment are not known afterwards."""
WANDERS = UNSURE | {"reference-drift"}
"""Two thousandths a kelvin move a warm output by tenths of a volt, and its headroom with it."""


def parts_of(profile: Profile, seed: int, faults: list[str]) -> Parts:
    """Return the parts of this instance with its faults in it."""
    parts = design_unit(profile, seed=seed)
    for fault in faults:
        parts = apply_fault(parts, parse_fault(fault))
    return parts


def truth_of(one: Estimate, parts: Parts, profile: Profile, causes: list[str]) -> float | None:
    """Return the true value of an estimate, None where it cannot be known from the parts."""
    reg, taps = parts.regulator, parts.taps
    plain = {
        "reservoir": parts.reservoir.c_f,
        "output-capacitor": reg.c_out_f,
        "output-esr": reg.c_out_esr_ohm,
        "earth resistance of plus to earth": parts.earth.r_plus_ohm,
        "earth resistance of minus to earth": parts.earth.r_minus_ohm,
        "rail-current": _rail_a(parts, profile.unit.voltage.high),
    }
    if one.name in plain:
        return plain[one.name]
    if one.name.startswith("hysteresis") and not set(causes) & UNSURE:
        k = int(one.name.split()[-1]) - 1
        stuck = k < len(taps.stuck) and taps.stuck[k] is not None
        kick_v = 0.0 if stuck else taps.coil_kick_v  # a contact that does not move gives none
        return taps.up_v[k] - taps.down_v[k] - kick_v
    weak = taps.coil_v * LOW_LINE < LIFTS * taps.pull_in_v
    if one.name.startswith(("headroom", "threshold")) and not weak and not set(causes) & WANDERS:
        return _room(one, parts, profile)
    return None


def _rail_a(parts: Parts, out_v: float) -> float:
    reg = parts.regulator
    out_v *= FALLEN
    raw_v = out_v + reg.dropout_v
    return raw_v / parts.reservoir.leak_ohm + reg.quiescent_a + out_v / reg.bleed_ohm


def _room(one: Estimate, parts: Parts, profile: Profile) -> float | None:
    """Headroom at 90 % line; the place is told in the estimate's words."""
    told = re.search(r"([\d.]+) V, ([\d.]+) A", one.what)
    if told is None:
        return None
    set_v, load_a = float(told[1]), min(float(told[2]), full_load_a(profile))
    winding = len(parts.taps.up_v)
    if "tap point" in one.name:
        winding = int(one.name.split()[-1]) - 1
    for k, stuck in enumerate(parts.taps.stuck):
        if stuck is False:
            winding = min(winding, k)
        elif stuck is True and winding == k:
            winding = k + 1
    return _valley_v(parts, winding, load_a, _output_v(parts, set_v))


def _output_v(parts: Parts, set_v: float) -> float:
    reg, knob = parts.regulator, parts.knob
    if parts.setting == "hand":
        return set_v  # what was turned to was read at the output
    out_v = set_v * knob.dac_gain * reg.reference_gain + knob.dac_offset_v
    return out_v + reg.reference_offset_v + reg.sense_lift_v


def _valley_v(parts: Parts, winding: int, load_a: float, out_v: float) -> float | None:
    """Lowest raw voltage less drop and output, with 90 % of nominal at the inlet itself."""
    reg = parts.regulator
    line_v = wanted_v = LOW_LINE * parts.mains.v_rms
    cycle: Cycle | None = None
    for _ in range(3):
        wiring = _wiring(parts, winding, load_a, WELL_BELOW * out_v, line_v)
        line = line_of(parts, wiring, True)
        circuit = circuit_of(parts, wiring, line)
        low_v = WELL_BELOW * out_v
        state = State(0.0, 0.0, v_out=low_v, target_v=low_v, i_load=load_a)
        cycle = find_cycle(circuit, state)
        if cycle is None:
            return None
        phase, rect_a = np.arange(GRID + 1) / GRID, cycle.waves[2]
        inlet_v, _ = primary_wave(parts, line, phase, rect_a, float(np.trapezoid(rect_a, phase)))
        line_v *= wanted_v / math.sqrt(float(np.trapezoid(inlet_v * inlet_v, phase)))
    drop_v = reg.dropout_v + reg.dropout_ohm * (load_a + out_v / reg.bleed_ohm)
    return cycle.low("raw") - drop_v - out_v if cycle is not None else None


def _wiring(parts: Parts, winding: int, load_a: float, goal_v: float, line_v: float) -> Wiring:
    """Regulating well below, so that the raw side sees the load and nothing else."""
    chosen = parts.taps.windings[winding]
    contact = parts.taps.contact_ohm if parts.taps.up_v else 0.0
    return Wiring(
        winding=replace(chosen, r_ohm=chosen.r_ohm + contact), line_v_rms=line_v,
        f_hz=parts.mains.f_hz, source_ohm=parts.mains.source_ohm, goal_v=goal_v, live=True,
        limit_a=math.inf, g_across_s=0.0, farads_across=0.0, load_kind="cc", load_level=load_a,
        load_v_min=0.1, load_i_max=math.inf, sense_bounds_v=(math.inf, -math.inf),
        sense_kick_v=0.0, noise=np.zeros(1),
    )  # fmt: skip
