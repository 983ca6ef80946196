"""Figures of supply manuals against what the checks set, compute and decide.

Sources: *doc* is a printed manual of a maker, *arith* follows by arithmetic, *mem* from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from runner.checks import drift, load_effect_findings, source_effect
from runner.checks.stepping import EXACT_NPLC, FAST_NPLC
from runner.checks.transient_findings import NotBack, StepResponse, step_response
from runner.finding import Decision
from runner.limits import LIMITS
from runner.metrology.decision import Outcome, Rule, decide
from runner.metrology.limit import Limit
from runner.metrology.readings import lead_drop_line
from runner.metrology.scale import Scale
from runner.metrology.tap import Motion, hysteresis, tap_point
from runner.quantity import parse_limit
from runner.reading import Reading
from sim_instruments.plant import LoadDemand
from tests.checks import made_up
from tests.checks.made_up import amps, data, volts
from tests.sim_plant.built import PLAIN, unit

NOTHING = Scale("meter", "dc-volts", "V", 100.0, 0.0, 0.0, 0.0, resolution=1e-6)


def test_specification_of_share_and_fixed_part() -> None:
    """0.01 % + 3 mV at 12 V: 4.20 mV (E364xA specification form, doc and arith)."""
    text, _ = LIMITS["load-effect"].defaults["lab"]
    assert text == "0.01 % + 3 mV"
    assert parse_limit(text, "V").at(12.0) == pytest.approx(4.20e-3, abs=1e-9)


@pytest.mark.parametrize(
    ("nominal_v", "low_v", "high_v"), [(230, 207, 253), (115, 104, 127), (100, 90, 110)]
)
def test_line_voltages_of_the_source_effect(nominal_v: int, low_v: int, high_v: int) -> None:
    """207/230/253 V, 104/115/127 V, 90/100/110 V (E3632A service guide, doc; whole volts)."""
    shares = dict(source_effect.LINES)
    assert nominal_v * min(shares.values()) == pytest.approx(low_v, abs=0.51)
    assert nominal_v * max(shares.values()) == pytest.approx(high_v, abs=0.51)


def test_warm_up_before_drift_and_its_limit() -> None:
    """Half an hour of warm-up; 5 mV of 20 V are 250 ppm (6023A manual p. 20, doc and arith)."""
    assert drift.WARM_UP_S == 30 * 60
    assert parse_limit("0.025 %", "V").at(20.0) == pytest.approx(5e-3)


def _recovering(band_v: float, back_s: float, dt_s: float, tau_s: float) -> np.ndarray:
    """A record that comes back exponentially and passes its band at ``back_s`` after the step."""
    t_s = dt_s * np.arange(4000) - 400 * dt_s
    peak_v = band_v * math.exp(back_s / tau_s)
    noise = 1e-5 * np.random.default_rng(5).standard_normal(t_s.size)
    return 12.0 - np.where(t_s > 0, peak_v * np.exp(-t_s / tau_s), 0.0) + noise


@pytest.mark.parametrize(
    ("band_v", "back_s", "dt_s", "tau_s"),
    [
        (15e-3, 50e-6, 0.1e-6, 20e-6),  # general bench supply, both edges: E3648A p. 188, doc
        (100e-3, 900e-6, 2e-6, 300e-6),  # high power, about the final value: 6682A p. 18, doc
    ],
)
@pytest.mark.parametrize("edge", [1.0, -1.0])
def test_recovery_into_the_bands_of_two_manuals(
    band_v: float, back_s: float, dt_s: float, tau_s: float, edge: float
) -> None:
    volts = 12.0 + edge * (_recovering(band_v, back_s, dt_s, tau_s) - 12.0)
    found = step_response(volts, dt_s, -400 * dt_s, band_v, 1e-4)
    assert isinstance(found, StepResponse)
    assert found.recovery_s == pytest.approx(back_s, abs=3 * dt_s)
    late = step_response(volts[: 400 + int(0.5 * back_s / dt_s)], dt_s, -400 * dt_s, 1e-4, 1e-5)
    assert isinstance(late, NotBack | str)


def test_default_band_and_time_are_those_of_the_manual() -> None:
    """15 mV and 50 µs (E3648A p. 188, doc)."""
    assert LIMITS["transient-band"].defaults["lab"][0] == "15 mV"
    assert LIMITS["transient-recovery"].defaults["lab"][0] == "50 us"


@pytest.mark.parametrize(
    ("ohm", "volts", "amps"), [(10.0, 12.0, 1.2), (3.0, 6.0, 2.0)], ids=["cv", "cc"]
)
def test_crossover_at_the_critical_resistance(ohm: float, volts: float, amps: float) -> None:
    """12 V, 2 A: critical 6 Ω; 10 Ω gives 12 V 1.2 A, 3 Ω gives 2 A 6 V (PSW manual p. 23)."""
    bench = unit(PLAIN)
    bench.plant.set_voltage(12.0)
    bench.plant.set_current_limit(2.0)
    bench.plant.set_load(LoadDemand("cr", ohm))
    bench.wait(2.0)
    off = 1.0 + 0.02  # what the unit's own reference and limit may be off
    assert bench.volts() == pytest.approx(volts, rel=off - 1)
    assert bench.plant.load_a(bench.now - 0.2, bench.now) == pytest.approx(amps, rel=off - 1)
    assert bench.plant.mode() == ("cv" if ohm > 6.0 else "cc")


@pytest.mark.parametrize("loaded_v", [11.975, 12.025])
def test_a_performance_figure_holds_for_either_sign(loaded_v: float) -> None:
    """The largest change, up or down, from the reference (IEC 61204 clause 2, doc)."""
    readings = [
        volts(value, set_v=12.0, load=load, pair=pair)
        for pair in (1, 2, 3)
        for load, value in (("none", 12.0), ("full", loaded_v))
    ] + [amps(3.0, set_v=12.0, pair=pair, load="full") for pair in (1, 2, 3)]
    found = load_effect_findings.findings(data("load-effect", readings), made_up.profile())
    effect = next(f for f in found if f.what == "load effect")
    assert effect.limit_low == pytest.approx(-(effect.limit_high or 0.0))
    assert effect.decision is Decision.FAIL


def test_temperature_coefficient_of_a_manual() -> None:
    """32 mV of 20 V from 30 °C to 50 °C: 80.0 ppm/K (6023A manual p. 20, doc and arith)."""
    heat = [
        Reading("heatsink-temperature", celsius, "°C", "thermometer", "celsius")
        for celsius in (30.0, 50.0)
    ]
    said = drift.temperature_coefficient(data("drift", [volts(20.0), volts(20.032), *heat]))
    assert said.startswith("about 80 ppm for each kelvin")


def test_recovery_ends_with_the_last_exit_from_the_band() -> None:
    """Back into the band *and staying there* (N8900 p. 138, doc): not the first entry."""
    dt_s, band_v = 1e-6, 15e-3
    t_s = dt_s * np.arange(2000) - 200e-6
    noise = 1e-5 * np.random.default_rng(7).standard_normal(t_s.size)
    dip = np.where((t_s > 0) & (t_s < 30e-6), -0.1, 0.0)
    again = np.where((t_s > 80e-6) & (t_s < 120e-6), 20e-3, 0.0)
    found = step_response(12.0 + dip + again + noise, dt_s, -200e-6, band_v, 1e-4)
    assert isinstance(found, StepResponse)
    assert found.recovery_s == pytest.approx(120e-6, abs=3 * dt_s)


@pytest.mark.parametrize(("nplc", "rejects"), [(1.0, True), (10.0, True), (0.4, False)])
def test_whole_mains_periods_leave_no_ripple_in_a_reading(nplc: float, rejects: bool) -> None:
    """100 Hz over 20 ms (1 PLC at 50 Hz) averages to nothing (E36100 p. 77 doc, PLC mem)."""
    assert all(n >= 1.0 and n == round(n) for n in (FAST_NPLC, EXACT_NPLC))
    t_s = np.linspace(0.0, nplc * 20e-3, 20001)
    mean = float(np.trapezoid(np.sin(2 * np.pi * 100 * t_s), t_s) / t_s[-1])
    assert (abs(mean) < 1e-9) == rejects


def test_drop_in_leads_without_sense() -> None:
    """Two leads of 10 mΩ at 2 A: 40.0 mV (arith)."""
    line = lead_drop_line(2 * 10e-3, 2.0)
    assert line.u * math.sqrt(3) == pytest.approx(40e-3)


@pytest.mark.parametrize("window_v", [0.02, 0.08])
def test_hysteresis_within_one_step_is_not_resolved(window_v: float) -> None:
    """Window = up - down, each known to half a step (terms of ISA-51.1 / IEC 60770, mem)."""
    step_v = 0.1
    up = tap_point("up", [12.0], NOTHING, Motion(step_v=step_v), rising=True)
    down = tap_point(
        "down", [12.0 - window_v - step_v], NOTHING, Motion(step_v=step_v), rising=False
    )
    width = hysteresis(up, down)
    assert width.value == pytest.approx(window_v, abs=1e-9)
    assert width.expanded(0.95) == pytest.approx((1 - math.sqrt(0.05)) * step_v, rel=1e-3)
    decided = decide(
        width.value, width.dispersion, Limit.at_least(0.5 * window_v), Rule("guard-band", 0.95)
    )
    resolved = width.value - width.expanded(0.95) >= 0.5 * window_v
    assert (decided.outcome is Outcome.PASS) == resolved
    assert not resolved
