"""Load modes and edges, and the questions that instruments ask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim_instruments.plant import LoadDemand
from tests.sim_plant.built import TWO_TAP, unit

LAB = replace(TWO_TAP, grade="lab")


# ---- load -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("demand", "amperes"),
    [
        (LoadDemand("cc", 1.5), 1.5),
        (LoadDemand("cr", 8.0), 1.5),
        (LoadDemand("cp", 18.0), 1.5),
        (LoadDemand("off"), 0.0),
    ],
)
def test_load_modes(demand: LoadDemand, amperes: float) -> None:
    b = unit().at(12.0)
    b.plant.set_load(demand)
    b.wait(1.0)
    assert b.plant.load_a(b.now - 0.2, b.now) == pytest.approx(amperes, rel=5e-3, abs=1e-9)


def test_constant_voltage_load_takes_the_unit_to_its_limit() -> None:
    b = unit().at(12.0)
    b.plant.set_current_limit(2.0)
    b.plant.set_load(LoadDemand("cv", 6.0))
    b.wait(1.0)
    assert b.plant.mode() == "cc"
    assert b.volts() == pytest.approx(6.1, abs=0.05)
    assert b.plant.load_a(b.now - 0.2, b.now) == pytest.approx(2.0, rel=0.02)


def test_crossover_has_a_knee() -> None:
    b = unit().at(10.0)
    b.plant.set_current_limit(2.0)
    limit_a = b.plant.truth.limit_a
    ohms = 10.0 / limit_a
    mode = []
    for part in (1.1, 1.02, 0.98, 0.9):
        b.plant.set_load(LoadDemand("cr", part * ohms))
        b.wait(0.5)
        mode.append(b.plant.mode())
    assert mode == ["cv", "cv", "cc", "cc"]
    reg = b.plant.parts.regulator
    half, short = [], []
    for part, into in ((0.5, half), (0.02, short)):
        b.plant.set_load(LoadDemand("cr", part * ohms))
        b.wait(0.5)
        into.append(b.plant.load_a(b.now - 0.2, b.now))
    assert 0.0 < short[0] - half[0] < 5.0 / reg.limit_ohm + 5.0 / reg.bleed_ohm + 1e-4


def test_slow_slew_is_followed() -> None:
    b = unit().at(12.0)
    b.plant.set_load(LoadDemand("cc", 2.0, slew_a_per_s=20.0))
    t0 = b.now
    b.wait(0.2)
    i = b.plant.samples_load_a(t0 + np.array([0.025, 0.05, 0.075, 0.15]))
    assert i == pytest.approx([0.5, 1.0, 1.5, 2.0], abs=0.01)


def test_load_edge_dips_and_recovers() -> None:
    b = unit(LAB).at(12.0, 1.5)
    b.plant.set_load(LoadDemand("cc", 3.0))
    t0 = b.now
    b.wait(0.01)
    t = t0 + np.arange(4000) * 0.5e-6
    v = b.plant.samples_v("plus", "minus", t)
    off = v - v[-1000:].mean()
    assert -0.3 < off.min() < -0.01
    assert np.abs(off[t - t0 > 50e-6]).max() < 0.015  # 50 µs to 15 mV: usual lab data sheet
    i = b.plant.samples_load_a(t0 + np.array([-1e-6, 0.75e-6, 5e-6]))
    assert i == pytest.approx([1.5, 2.25, 3.0], abs=1e-6)  # 1 A/µs


@pytest.mark.parametrize("frequency_hz", [5.0, 1000.0])
def test_dynamic_load(frequency_hz: float) -> None:
    b = unit().at(12.0)
    b.plant.set_load(LoadDemand("cc", 2.0, level_b=1.0, frequency_hz=frequency_hz, duty=0.25))
    t0 = b.now
    b.wait(1.2)
    period = 1.0 / frequency_hz
    cycles = round(0.8 / period)
    t = t0 + 0.2 + (np.arange(200) + 0.5) * period / 200
    i = b.plant.samples_load_a(t)
    high = i > 1.5
    assert high.mean() == pytest.approx(0.25, abs=0.02)
    assert i[high].mean() == pytest.approx(2.0, abs=0.02)
    assert i[~high].mean() == pytest.approx(1.0, abs=0.02)
    mean = b.plant.load_a(t0 + 0.2, t0 + 0.2 + cycles * period)
    assert mean == pytest.approx(1.25, abs=0.01)
    v = b.plant.samples_v("plus", "minus", t)
    assert v[high].mean() < v[~high].mean()


# ---- questions --------------------------------------------------------------------------


def test_mean_is_the_mean_of_the_samples() -> None:
    b = unit(TWO_TAP, 1, "reservoir-dried").at(9.0, 3.0)
    for span in (0.0071, 0.02, 0.033):
        t = b.now - span + (np.arange(20_000) + 0.5) * span / 20_000
        for a in ("plus", "raw"):
            mean = b.plant.mean_v(a, "minus", b.now - span, b.now)
            assert mean == pytest.approx(b.plant.samples_v(a, "minus", t).mean(), abs=2e-4)


def test_rms_and_bounds_agree_with_the_samples() -> None:
    b = unit(TWO_TAP, 1, "bridge-diode-open").at(9.4, 3.0)
    t = b.now - 0.1 + (np.arange(50_000) + 0.5) * 2e-6
    v = b.plant.samples_v("plus", "minus", t)
    rms_v = b.plant.rms_ac_v("plus", "minus", b.now - 0.1, b.now)
    assert rms_v == pytest.approx(v.std(), rel=0.01)
    bounds = b.plant.min_max_v("plus", "minus", b.now - 0.1 + np.arange(101) * 1e-3)
    assert bounds.shape == (100, 2)
    assert bounds[:, 0].min() == pytest.approx(v.min(), abs=5e-3)
    assert bounds[:, 1].max() == pytest.approx(v.max(), abs=5e-3)


def test_find_event() -> None:
    b = unit().at(5.0, 1.0)
    before = b.now
    b.wait(0.3)
    b.plant.set_voltage(8.0)
    b.wait(0.3)
    found = b.plant.find_event("plus", "minus", before, 6.5)
    assert found is not None
    assert before + 0.3 < found < before + 0.31
    assert b.plant.find_event("plus", "minus", before, 6.5, "falling") is None
    assert b.plant.find_event("plus", "minus", found + 0.01, 6.5, "either") is None
    left = b.plant.find_event("plus", "minus", before, 5.0, window_v=0.2)
    assert left is not None and left <= found
    b.plant.set_load(LoadDemand("cc", 3.0))
    t0 = b.now
    b.wait(0.1)
    dip = b.plant.find_event("plus", "minus", t0 - 0.05, b.volts(0.02) - 0.015, "falling")
    assert dip == pytest.approx(t0, abs=5e-6)


def test_nodes() -> None:
    b = unit().at(20.0, 1.0)
    assert b.volts(0.1, "raw") > 30.0
    assert b.volts(0.1, "coil1") > 20.0
    assert b.volts(0.1, "coil2") == 0.0
    at = (b.now - 0.1, b.now)
    plus, earth = (b.plant.mean_v(a, "minus", *at) for a in ("plus", "earth"))
    assert b.plant.mean_v("plus", "earth", *at) == pytest.approx(plus - earth, abs=1e-9)
    with pytest.raises(ValueError, match="no node"):
        b.volts(0.1, "gate")


def test_panel_shows_whole_digits() -> None:
    b = unit().at(12.345, 1.0)
    p = b.plant.parts.panel
    shown = b.plant.panel_v()
    assert shown == pytest.approx(b.volts() * p.v_gain + p.v_offset, abs=0.0051)
    assert round(shown / p.v_step, 6) == round(shown / p.v_step)
    assert b.plant.panel_a() == pytest.approx(1.0, abs=0.02)


def test_knob_and_remote_set_point() -> None:
    b = unit()
    b.plant.set_knob(b.plant.knob_for(15.0))
    b.wait(2.0)
    assert b.volts() == pytest.approx(15.0, abs=0.08)
    b.plant.set_voltage(15.0)
    b.wait(2.0)
    knob, truth = b.plant.parts.knob, b.plant.truth
    expected = (15.0 * knob.dac_gain + knob.dac_offset_v) * truth.setting_gain / knob.dac_gain
    assert b.volts() == pytest.approx(expected + truth.parts.regulator.reference_offset_v, abs=6e-3)
