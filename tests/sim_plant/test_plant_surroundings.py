"""Mains, switching, heat, and units of other kinds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sim_instruments.plant import Plant, UnitSpec, design_unit
from sim_instruments.plant.mains import arranged
from sim_instruments.plant.settings import LoadDemand
from tests.sim_plant.built import PLAIN, SWITCHER, TWO_TAP, Bench, samples, unit

# ---- mains, switching, heat -------------------------------------------------------------


def test_output_and_mains_switching_does_not_overshoot() -> None:
    b = unit().at(12.0, 1.0)
    peak = 12.0 * 1.02 + 0.1  # default limit: 2 % + 100 mV
    for act in (
        lambda: b.plant.set_output(False), lambda: b.plant.set_output(True),
        lambda: b.plant.mains_on(False), lambda: b.plant.mains_on(True),
    ):  # fmt: skip
        act()
        b.wait(3.0)
        v = samples(b, 3.0, 50e-6)
        assert v.max() < peak
        assert v.min() > -0.01
    assert b.volts() == pytest.approx(12.0, abs=0.05)
    b.plant.set_output(False)
    b.wait(3.0)
    assert b.plant.mode() == "off"
    assert b.volts() < 0.01


def test_dip_within_the_reserve_is_not_seen_but_a_long_one_is() -> None:
    b = unit().at(5.0, 1.0)
    b.plant.dip(0.02, 0.0)
    b.wait(0.2)
    assert np.ptp(samples(b, 0.2)) < 5e-3
    b.plant.dip(0.3, 0.2)
    b.wait(0.6)
    assert samples(b, 0.6).min() < 4.0
    b.wait(2.0)
    assert b.volts() == pytest.approx(5.0, abs=0.05)


def test_line_wanders_when_nobody_holds_it() -> None:
    free, held = unit(calm=False).at(5.0, 1.0), unit(calm=False)
    held.plant.set_arrangement(("mains-source",))
    held.at(5.0, 1.0)
    seen: dict[str, list[float]] = {"free": [], "held": []}
    for _ in range(100):
        for name, b in (("free", free), ("held", held)):
            b.wait(10.0)
            seen[name].append(b.plant.inlet(b.now - 0.2, b.now).v_rms)
    assert 0.2 < np.std(seen["free"]) < 3.0
    assert np.std(seen["held"]) < 0.1


def test_arrangements_soften_the_line() -> None:
    drops = {}
    for chain in ((), ("variac",), ("isolating-transformer",), ("lamp-limiter",)):
        b = unit()
        b.plant.set_arrangement(chain)
        v = [b.at(5.0, a, 6.0).plant.inlet(b.now - 0.2, b.now).v_rms for a in (0.0, 3.0)]
        drops["+".join(chain)] = v[0] - v[1]
    assert drops[""] < drops["variac"] < drops["isolating-transformer"] < drops["lamp-limiter"]
    assert drops["lamp-limiter"] > 30.0
    assert arranged(design_unit(TWO_TAP, 1).mains, ("variac",)).source_ohm > 0.9


def test_inlet_figures_hang_together() -> None:
    b = unit().at(12.0, 3.0, 2.0)
    inlet = b.plant.inlet(b.now - 0.2, b.now)
    assert inlet.s_va == pytest.approx(inlet.v_rms * inlet.i_rms)
    assert 0.5 < inlet.p_w / inlet.s_va < 0.95
    assert inlet.f_hz == pytest.approx(50.0, abs=1e-6)
    assert inlet.v_rms == pytest.approx(230.0, abs=1.0)
    b.plant.mains_on(False)
    b.wait(1.0)
    assert b.plant.inlet(b.now - 0.2, b.now).p_w == pytest.approx(0.0, abs=1e-9)


def test_heatsink_settles_where_its_thermal_resistance_says() -> None:
    b = unit(PLAIN).at(5.0, 2.0, 2.0)
    heat = b.plant.parts.heat
    watts = (b.volts(0.2, "raw") - b.volts()) * 2.0
    b.wait(5.0 * heat.heatsink_k_per_w * heat.heatsink_j_per_k)
    rise = b.plant.temperature_c("heatsink") - b.plant.temperature_c("ambient")
    assert rise == pytest.approx(watts * heat.heatsink_k_per_w, rel=0.05)
    junction = b.plant.temperature_c("pass") - b.plant.temperature_c("heatsink")
    assert junction == pytest.approx(watts * heat.junction_k_per_w, rel=0.05)


def test_fan_cools() -> None:
    parts = design_unit(PLAIN, 1)
    fan = replace(parts, heat=replace(parts.heat, fan_on_c=30.0))
    still, blown = (Bench(p, 1).at(3.0, 2.0, 3600.0) for p in (parts, fan))
    hot, cool = (b.plant.temperature_c("heatsink") for b in (still, blown))
    assert cool < hot - 3.0


def test_reference_and_thresholds_move_with_warmth() -> None:
    parts = design_unit(TWO_TAP, 1)
    reg = replace(parts.regulator, reference_tc_per_k=100e-6)
    b = Bench(replace(parts, regulator=reg), 1).at(9.8, 3.0, 2.0)
    cold_v, cold_up = b.volts(), b.plant.truth.tap_up_v[0]
    b.wait(3600.0)
    warm = b.plant.temperature_c("inside") - 23.0
    assert warm > 1.0
    assert b.volts() - cold_v == pytest.approx(9.8 * 100e-6 * warm, rel=0.3)
    move = b.plant.truth.tap_up_v[0] / cold_up - 1.0
    assert move == pytest.approx(parts.taps.threshold_tc_per_k * warm, rel=0.3, abs=1e-9)


def test_other_kinds_of_units() -> None:
    prereg = unit(UnitSpec("linear", "preregulator", 30.0, 5.0))
    raws = [prereg.at(v, 5.0, 2.0).volts(0.2, "raw") for v in (3.0, 15.0)]
    assert raws[1] - raws[0] == pytest.approx(12.0, abs=1.5)  # raw follows the output
    # Practice: also down to a short, where the raw voltage still carries the limited current.
    prereg.plant.set_current_limit(2.0)
    prereg.plant.set_load(LoadDemand("short", 0.01))
    prereg.wait(2.0)
    limited_a = prereg.plant.load_a(prereg.now - 0.1, prereg.now)
    assert limited_a == pytest.approx(prereg.plant.truth.limit_a, abs=5e-3)
    assert prereg.volts(0.2, "raw") < raws[0]
    scr = unit(UnitSpec("linear-tapped", "scr", 24.0, 3.0, tap_up_v=(8.0, 16.0)))
    scr.at(12.0, 1.0)
    assert not [e for e in scr.plant.events if e[1] == "bounce"]
    assert scr.plant.truth.tap == 1
    switcher = unit(SWITCHER).at(12.0, 5.0, 2.0)
    t = switcher.now - 200e-6 + np.arange(20_000) * 10e-9
    v = switcher.plant.samples_v("plus", "minus", t)
    spectrum = np.abs(np.fft.rfft(v - v.mean()))
    peak_hz = np.argmax(spectrum) / 200e-6
    assert peak_hz == pytest.approx(switcher.plant.parts.switcher.f_hz, abs=5e3)


def test_earthed_outputs_are_earthed() -> None:
    for output, low in (("negative-earthed", "minus"), ("positive-earthed", "plus")):
        b = unit(replace(TWO_TAP, output=output)).at(20.0)
        b.plant.attach("meter", low, "earth", 10e6)
        assert b.volts(2.0, low, "earth") == pytest.approx(0.0, abs=1e-3)
        assert math.isfinite(b.plant.rms_ac_v(low, "earth", b.now - 0.1, b.now))


def test_plant_needs_only_the_clock_protocol() -> None:
    class Hands:
        t = 0.0

        def mono_s(self) -> float:
            return self.t

        def utc(self):
            raise AssertionError

        def boot_s(self):
            raise AssertionError

        def sleep(self, seconds: float) -> None:
            raise AssertionError

    clock = Hands()
    plant = Plant(design_unit(PLAIN, 1), clock, 1)
    plant.set_voltage(10.0)
    clock.t = 2.0
    assert plant.mean_v("plus", "minus", 1.9, 2.0) == pytest.approx(10.0, abs=0.1)
