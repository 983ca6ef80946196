"""What each fault shows at the terminals (common practice of the trade, one row a test).

Formulas: leak resistances by two readings with a 10 MΩ meter, R = R_m·(V - V1 - V2)/V1,
and by a bleed, R = R_0·V·(1/V1' - 1/V1); ripple bound I/(2fC); chatter rate about
1/(operate + release + filter).
"""

from __future__ import annotations

import numpy as np
import pytest

from sim_instruments.plant import FAULTS, LoadDemand
from tests.sim_plant.built import PLAIN, TWO_TAP, Bench, amplitude, under, unit, wave

METER_OHM = 10e6


def to_earth(b: Bench, node: str, bleed_ohm: float | None = None) -> float:
    b.plant.attach("meter", node, "earth", METER_OHM)
    if bleed_ohm:
        b.plant.attach("bleed", node, "earth", bleed_ohm)
    b.wait(3.0)
    v = b.volts(1.0, node, "earth")
    b.plant.detach("meter")
    b.plant.detach("bleed")
    return v


# ---- earth ------------------------------------------------------------------------------


def test_healthy_unit_floats() -> None:
    b = unit().at(20.0)
    assert abs(to_earth(b, "minus")) < 0.5
    assert abs(to_earth(b, "plus")) < 0.5


def test_earth_short_negative() -> None:
    b = unit(TWO_TAP, 1, "output-earth-short-negative").at(20.0)
    v_b = b.volts()
    assert abs(to_earth(b, "minus")) < 1e-3
    for bleed in (None, 1e6, 100e3):
        assert to_earth(b, "plus", bleed) == pytest.approx(v_b, abs=2e-3)


def test_earth_short_positive_collapses_on_a_grounded_scope() -> None:
    b = unit(TWO_TAP, 1, "output-earth-short-positive").at(20.0)
    v_b = b.volts()
    for bleed in (None, 1e6, 100e3):
        assert to_earth(b, "minus", bleed) == pytest.approx(-v_b, abs=2e-3)
    assert b.plant.mode() == "cv"
    b.plant.attach("scope", "minus", "earth", 0.05)
    b.wait(0.5)
    assert b.plant.mode() == "cc"
    limit_a = b.plant.truth.limit_a
    assert b.volts() == pytest.approx(limit_a * 0.25, rel=0.02)  # 0.2 Ω + 0.05 Ω
    b.plant.detach("scope")
    b.wait(2.0)
    assert b.volts() == pytest.approx(v_b, abs=2e-3)


@pytest.mark.parametrize("ohms", [47e3, 220e3, 1e6, 10e6])
def test_earth_leak_is_found_by_the_two_reading_formulas(ohms: float) -> None:
    b = unit(TWO_TAP, 1, f"output-earth-leak:ohms={ohms}").at(20.0)
    v_b = b.volts()
    v1, v2 = abs(to_earth(b, "minus")), abs(to_earth(b, "plus"))
    assert METER_OHM * (v_b - v1 - v2) / v1 == pytest.approx(ohms, rel=0.06)
    v1_bled = abs(to_earth(b, "minus", 1e6))
    assert 1e6 * v_b * (1 / v1_bled - 1 / v1) == pytest.approx(ohms, rel=0.06)


# ---- raw side ---------------------------------------------------------------------------


def test_diode_open() -> None:
    healthy, broken = unit(), unit(TWO_TAP, 1, "bridge-diode-open")
    pp = []
    for load_a in (1.0, 2.0):
        whole = wave(healthy.at(5.0, load_a), "raw")
        half = wave(broken.at(5.0, load_a), "raw")
        assert amplitude(whole, 50.0) < 1e-3 * amplitude(whole, 100.0)
        assert amplitude(half, 50.0) > 2.0 * amplitude(half, 100.0)
        assert np.ptp(half) / np.ptp(whole) == pytest.approx(2.3, abs=0.25)
        pp.append(np.ptp(half))
    assert pp[1] / pp[0] == pytest.approx(2.0, rel=0.1)  # proportional to the load
    b = broken.at(under(broken, 0.05), 3.0)
    assert np.ptp(wave(b)) > 0.1  # notches before the tap point
    assert amplitude(wave(b), 50.0) > amplitude(wave(b), 100.0)


def test_diode_open_draws_no_direct_current_from_the_mains() -> None:
    """The trade's table says direct current flows in the mains; through a transformer it cannot.

    In steady state the mean voltage across the primary's resistance must be zero, since the
    source has no mean and an inductance takes none. What shows is asymmetry: the load pulse
    in one half-cycle, the saturated core's pulse in the other (even harmonics).
    """
    b = unit(TWO_TAP, 1, "bridge-diode-open").at(5.0, 3.0, 2.0)
    inlet = b.plant.inlet(b.now - 0.2, b.now)
    assert abs(inlet.i_dc_a) < 1e-3 * inlet.i_rms
    assert abs(inlet.i_peak_pos_a) > 1.2 * abs(inlet.i_peak_neg_a) or abs(
        inlet.i_peak_neg_a
    ) > 1.2 * abs(inlet.i_peak_pos_a)
    healthy = unit().at(5.0, 3.0, 2.0)
    even = healthy.plant.inlet(healthy.now - 0.2, healthy.now)
    assert abs(even.i_peak_pos_a) == pytest.approx(abs(even.i_peak_neg_a), rel=1e-3)


def test_winding_open_only_in_its_own_tap_step() -> None:
    healthy, broken = unit(), unit(TWO_TAP, 1, "winding-open")
    assert broken.at(5.0, 1.0).volts() == pytest.approx(healthy.at(5.0, 1.0).volts(), abs=1e-3)
    before = broken.plant.truth.relay_transitions
    broken.at(20.0, 1.0)
    assert broken.volts() < 15.0
    assert broken.plant.truth.relay_transitions > before + 10  # hunts between the windings


def test_reservoir_dried() -> None:
    healthy, dried = unit(), unit(TWO_TAP, 1, "reservoir-dried:fraction=0.3,esr=1")
    light, full = wave(dried.at(5.0, 1.0), "raw"), wave(dried.at(5.0, 3.0), "raw")
    assert amplitude(full, 50.0) < 1e-3 * amplitude(full, 100.0)
    assert np.ptp(full) / np.ptp(light) == pytest.approx(2.6, abs=0.4)  # less than I: conduction
    assert np.ptp(full) / np.ptp(wave(healthy.at(5.0, 3.0), "raw")) == pytest.approx(3.1, abs=0.3)
    c_f = dried.plant.parts.reservoir.c_f
    assert np.ptp(full) < 3.03 / (2 * 50.0 * c_f)  # I/(2fC) is an upper bound
    assert dried.plant.truth.tap_up_v == pytest.approx(healthy.plant.truth.tap_up_v, rel=1e-6)


def test_reservoir_leaky_shows_in_idle_power() -> None:
    healthy, leaky = unit().at(20.0, 0.0, 8.0), unit(TWO_TAP, 1, "reservoir-leaky").at(20.0, 0, 8)
    more_w = (
        leaky.plant.inlet(leaky.now - 0.2, leaky.now).p_w
        - healthy.plant.inlet(healthy.now - 0.2, healthy.now).p_w
    )
    raw = leaky.volts(0.2, "raw")
    assert more_w == pytest.approx(raw**2 / FAULTS["reservoir-leaky"].defaults["ohms"], rel=0.15)


def test_worn_contact_costs_headroom() -> None:
    healthy, worn = unit().at(20.0), unit(TWO_TAP, 1, "relay-contact-worn").at(20.0)
    healthy.at(20.0, 3.0)
    worn.at(20.0, 3.0)
    assert healthy.volts(0.2, "raw") - worn.volts(0.2, "raw") > 3.0
    bounces = [e for e in worn.plant.events if e[1] == "bounce"]
    assert len(bounces) > 2 * len([e for e in healthy.plant.events if e[1] == "bounce"]) > 0


# ---- regulator --------------------------------------------------------------------------


def edge(b: Bench, from_a: float, to_a: float) -> np.ndarray:
    b.plant.set_load(LoadDemand("cc", from_a))
    b.wait(0.1)
    b.plant.set_load(LoadDemand("cc", to_a))
    t0 = b.now + 2e-6  # past the edge itself, where the post's inductance shows
    b.wait(0.01)
    v = b.plant.samples_v("plus", "minus", t0 + np.arange(4000) * 0.5e-6)
    return v - v[-1000:].mean()


def crossings(v: np.ndarray, level: float) -> int:
    side = np.where(v > level, 1, np.where(v < -level, -1, 0))
    side = side[side != 0]
    return int(np.count_nonzero(np.diff(side)))


def test_output_capacitor_dried_rings() -> None:
    healthy, dried = unit().at(12.0, 1.5), unit(TWO_TAP, 1, "output-capacitor-dried").at(12.0, 1.5)
    good, bad = edge(healthy, 1.5, 3.0), edge(dried, 1.5, 3.0)
    assert np.abs(bad).max() > 2.0 * np.abs(good).max()
    assert crossings(bad, 5e-3) > crossings(good, 5e-3)
    assert dried.plant.truth.impedance_ohm(50e3) > 2.0 * healthy.plant.truth.impedance_ohm(50e3)
    assert dried.volts() == pytest.approx(healthy.volts(), abs=2e-3)


def test_pass_leak_keeps_the_output_up_unloaded() -> None:
    b = unit(TWO_TAP, 1, "pass-leak").at(0.0, 0.0, 8.0)
    reg = b.plant.parts.regulator
    raw, out = b.volts(0.2, "raw"), b.volts()
    across = 1.0 / (1.0 / reg.bleed_ohm)
    assert out == pytest.approx(raw * across / (across + reg.pass_leak_ohm), rel=0.02)
    ripple = wave(b)
    assert amplitude(ripple, 100.0) > amplitude(ripple, 50.0)
    b.at(0.0, 0.3, 3.0)  # more than the leak
    assert b.volts() < 0.05


def test_pass_short_ignores_knob_and_limit() -> None:
    b = unit(TWO_TAP, 1, "pass-short").at(5.0, 0.0, 3.0)
    assert b.volts() == pytest.approx(b.volts(0.2, "raw"), abs=0.1)
    assert b.plant.truth.tap == 1  # runs to the highest tap
    b.at(5.0, 3.0)
    assert amplitude(wave(b), 100.0) > 0.3
    b.plant.set_current_limit(0.5)
    b.wait(0.5)
    assert b.plant.load_a(b.now - 0.1, b.now) == pytest.approx(3.0, abs=0.01)


def test_sense_open() -> None:
    healthy, broken = unit(), unit(TWO_TAP, 1, "sense-open")
    h0, b0 = healthy.at(5.0).volts(), broken.at(5.0).volts()
    assert b0 - h0 == pytest.approx(0.6, abs=0.05)
    effect = b0 - broken.at(5.0, 3.0).volts()
    assert effect == pytest.approx(3.0 * 0.03, abs=0.02)
    assert h0 - healthy.at(5.0, 3.0).volts() < 0.01


def test_noisy_pot_jumps_while_turned() -> None:
    def roughness(b: Bench) -> float:
        seen = []
        for k in range(40):
            b.plant.set_knob(0.30 + 0.002 * k)
            b.wait(0.05)
            seen.append(b.plant.mean_v("plus", "minus", b.now - 0.02, b.now))
        steps = np.diff(seen)
        return float(np.abs(steps - np.median(steps)).max())

    assert roughness(unit(TWO_TAP, 1, "pot-noisy")) > 5.0 * roughness(unit())


@pytest.mark.parametrize(("full", "volts"), [(1, 25.2), (0, 0.0)])
def test_pot_open(full: int, volts: float) -> None:
    b = unit(TWO_TAP, 1, f"pot-open:full={full}")
    b.plant.set_knob(0.4)
    b.wait(6.0)
    assert b.volts() == pytest.approx(volts, abs=0.2)


def test_oscillation_is_not_tied_to_the_mains() -> None:
    b = unit(TWO_TAP, 1, "regulator-oscillating:hz=60e3").at(12.0, 1.0)
    v = wave(b, span_s=0.02)
    spectrum = np.abs(np.fft.rfft(v - v.mean()))
    assert np.argmax(spectrum) * 50.0 == pytest.approx(40e3, abs=100.0)  # 100 kS/s: folded
    t = b.now - 0.001 + np.arange(1000) * 1e-6
    fine = b.plant.samples_v("plus", "minus", t)
    peak = np.argmax(np.abs(np.fft.rfft(fine - fine.mean()))) * 1e3
    assert peak == pytest.approx(60e3, abs=1e3)


def test_reference_low_scales_every_voltage() -> None:
    healthy, low = unit(), unit(TWO_TAP, 1, "reference-low:percent=12")
    offset = healthy.plant.parts.regulator.reference_offset_v
    for v in (3.0, 8.0, 20.0):
        ratio = (low.at(v).volts() - offset) / (healthy.at(v).volts() - offset)
        assert ratio == pytest.approx(0.88, abs=1e-3)
    assert low.plant.truth.tap_up_v == pytest.approx(healthy.plant.truth.tap_up_v, rel=1e-4)


def test_reference_drift_needs_warmth() -> None:
    b = unit(PLAIN, 1, "reference-drift:ppm_per_k=800,ppm_per_h=300").at(10.0, 2.0, 1.0)
    first = b.volts()
    soon = b.volts(2.0)
    b.wait(3600.0)
    later = b.volts()
    assert abs(later - first) > 20.0 * abs(soon - first)
    warm = b.plant.temperature_c("inside") - 23.0
    expected = first * (800e-6 * warm + 300e-6)
    assert later - first == pytest.approx(expected, rel=0.15)


def test_limit_low() -> None:
    for fraction, faults in ((1.0, ()), (0.5, ("limit-low:fraction=0.5",))):
        b = unit(TWO_TAP, 1, *faults).at(10.0)
        b.plant.set_current_limit(2.0)
        b.plant.set_load(LoadDemand("short", 0.05))
        b.wait(0.5)
        assert b.plant.load_a(b.now - 0.1, b.now) == pytest.approx(2.0 * fraction, rel=0.02)


def test_aux_ripple_does_not_care_about_the_load() -> None:
    b = unit(TWO_TAP, 1, "aux-ripple").at(12.0)
    idle = amplitude(wave(b), 100.0)
    full = amplitude(wave(b.at(12.0, 3.0)), 100.0)
    assert idle > 5e-3
    assert full == pytest.approx(idle, rel=0.05)
    assert b.volts(0.1, "coil1") < 0.9 * unit().at(12.0).volts(0.1, "coil1")
