"""Energy: over whole mains cycles what goes in comes out, is lost or is stored.

The sum is taken from the waves alone (not from the solver): inlet energy = magnetic and
auxiliary losses + winding + diodes + reservoir ESR and leak + control current + pass element
+ bleeder, earth paths and down-programmer + load + change of ½CV² in both capacitors.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim_instruments.plant import FAULTS, LoadDemand, UnitSpec, design_unit
from tests.sim_plant.built import Bench

POINTS_PER_CYCLE = 4_000
SHORT_OF_HEADROOM = ["bridge-diode-open", "reservoir-dried", "reservoir-leaky", "pass-leak",
                     "output-earth-leak", "aux-ripple", "sense-open", "limit-low"]  # fmt: skip


def balance(b: Bench, t0: float, cycles: int) -> tuple[float, float]:
    """(inlet energy, everything else) in joules over whole cycles from t0."""
    truth = b.plant.truth
    parts = truth.parts
    f = truth.line_hz
    t = t0 + np.arange(cycles * POINTS_PER_CYCLE + 1) / (POINTS_PER_CYCLE * f)
    raw, out, rect, ip, load = (truth.wave(k, t) for k in ("raw", "out", "rect", "pass", "load"))
    reg, res, tr = parts.regulator, parts.reservoir, parts.transformer
    size, nd, diode = np.abs(rect), parts.rectifier.in_series, parts.rectifier.diode
    i_quiet = np.where(raw < 3.0, reg.quiescent_a * raw / 3.0, reg.quiescent_a)
    i_c = size - ip - i_quiet - raw / res.leak_ohm
    inlet = b.plant.inlet(float(t[0]), float(t[-1]))
    span = float(t[-1] - t[0])
    v_diode = nd * (diode.n_vt_v * np.log1p(size / diode.is_a) + diode.rs_ohm * size)
    across = 1.0 / reg.bleed_ohm + truth.earth_across_s
    co_i = ip - load - out * across
    spent = {
        "core": np.full(t.shape, inlet.v_rms**2 * (tr.core_w + tr.aux_w) / tr.v_nominal**2),
        "winding": truth.winding_ohm * rect**2,
        "diodes": v_diode * size,
        "esr": res.esr_ohm * i_c**2,
        "leak": raw**2 / res.leak_ohm,
        "quiet": raw * i_quiet,
        "pass": (raw - out) * ip,
        "output": out * (load + out * across),
        "output capacitor": out * co_i,
    }
    v_c = raw - res.esr_ohm * i_c
    stored = 0.5 * res.c_f * (v_c[-1] ** 2 - v_c[0] ** 2)
    return inlet.p_w * span, sum(float(np.trapezoid(p, t)) for p in spent.values()) + stored


specs = st.builds(
    lambda v, i, f, taps, mains: UnitSpec(
        "linear-tapped" if taps else "linear", "relay" if taps else "none", v, i, mains, f,
        tap_up_v=tuple(v * (k + 1) / (taps + 1) for k in range(taps)),
    ),
    st.floats(8.0, 60.0), st.floats(0.5, 10.0), st.sampled_from([50.0, 60.0]),
    st.integers(0, 2), st.sampled_from([115.0, 230.0]),
)  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    spec=specs,
    seed=st.integers(0, 10_000),
    part_v=st.floats(0.1, 1.0),
    part_a=st.floats(0.1, 1.0),
    mode=st.sampled_from(["cc", "cr", "cp"]),
    fault=st.sampled_from(["", *SHORT_OF_HEADROOM]),
    source_ohm=st.floats(0.1, 3.0),
    third=st.floats(0.0, 0.05),
)
def test_steady(spec, seed, part_v, part_a, mode, fault, source_ohm, third) -> None:
    parts = design_unit(spec, seed)
    ohm = source_ohm * (spec.mains_v / 230.0) ** 2
    mains = replace(parts.mains, wander=0.0, f_wander_hz=0.0, source_ohm=ohm, third=third)
    b = Bench(replace(parts, mains=mains), seed, (fault,) if fault else ())
    volts, amperes = part_v * spec.v_max, part_a * spec.i_max
    level = {"cc": amperes, "cr": volts / amperes, "cp": volts * amperes}[mode]
    b.plant.set_voltage(volts)
    b.wait(3.0)
    b.plant.set_load(LoadDemand(mode, level, i_max=2.0 * spec.i_max))
    b.wait(3.0)
    given_j, spent_j = balance(b, b.now - 0.2, 5)
    assert math.isclose(given_j, spent_j, rel_tol=1e-3)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    seed=st.integers(0, 10_000),
    before_a=st.floats(0.2, 2.5),
    after_a=st.floats(0.2, 2.5),
    at_phase=st.floats(0.0, 1.0),
)
def test_over_a_load_step(seed, before_a, after_a, at_phase) -> None:
    """Ten whole cycles with a load step somewhere inside."""
    parts = design_unit(UnitSpec("linear", "none", 20.0, 3.0), seed)
    mains = replace(parts.mains, wander=0.0, f_wander_hz=0.0)
    b = Bench(replace(parts, mains=mains), seed)
    b.at(15.0, before_a, 3.0)
    t0 = b.now
    b.wait(0.04 + 0.02 * at_phase)
    b.plant.set_load(LoadDemand("cc", after_a))
    b.wait(0.3)
    given_j, spent_j = balance(b, t0, 10)
    assert math.isclose(given_j, spent_j, rel_tol=1e-3)


def test_the_faults_tried_exist() -> None:
    assert set(SHORT_OF_HEADROOM) <= set(FAULTS)
