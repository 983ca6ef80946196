"""The plant as the instruments use it."""

from __future__ import annotations

import math
import threading
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from sim_instruments.plant import LoadDemand, Plant, UnitSpec, design_unit, steadiness
from sim_instruments.plant.mains import arranged
from tests.sim_plant.built import PLAIN, SWITCHER, THREE_TAP, TWO_TAP, Bench, unit

LAB = replace(TWO_TAP, grade="lab")


def samples(b: Bench, span_s: float = 0.05, step_s: float = 10e-6, a: str = "plus") -> np.ndarray:
    n = round(span_s / step_s)
    return b.plant.samples_v(a, "minus", b.now - span_s + np.arange(n) * step_s)


# ---- one seed, one world ----------------------------------------------------------------


def story(seed: int) -> np.ndarray:
    b = Bench(design_unit(TWO_TAP, seed), seed, ("tap-chatter:at=4s",))
    seen = []
    for v, a in ((5.0, 1.0), (9.0, 3.0), (9.7, 2.0), (20.0, 0.5)):
        b.at(v, a, 1.5)
        seen.append(samples(b))
        seen.append(samples(b, a="raw"))
    return np.concatenate(seen)


def test_same_seed_same_samples_bit_for_bit() -> None:
    assert np.array_equal(story(7), story(7))


def test_another_seed_is_another_unit() -> None:
    assert not np.array_equal(story(7), story(8))
    assert design_unit(TWO_TAP, 7) != design_unit(TWO_TAP, 8)
    assert design_unit(TWO_TAP, 7, tolerance=False) == design_unit(TWO_TAP, 8, tolerance=False)


def test_looking_often_changes_nothing() -> None:
    rare, often = unit(), unit()
    for b, pieces in ((rare, 1), (often, 400)):
        b.plant.set_voltage(9.0)
        b.plant.set_load(LoadDemand("cc", 2.0))
        for _ in range(pieces):
            b.wait(2.0 / pieces)
            _ = b.plant.mode()
        b.plant.set_load(LoadDemand("cc", 3.0))
        for _ in range(pieces):
            b.wait(0.3 / pieces)
            _ = b.plant.mode()
    t = rare.now - 0.2999 + np.arange(29_980) * 1e-5  # the edge itself left out
    for column, slack_v in (("out", 1e-5), ("raw", 2e-3)):
        gap = rare.plant.truth.wave(column, t) - often.plant.truth.wave(column, t)
        assert np.abs(gap).max() < slack_v


def test_past_samples_do_not_change_when_time_goes_on() -> None:
    b = unit().at(12.0, 2.0)
    t = b.now - 0.02 + np.arange(400) * 50e-6
    first = b.plant.samples_v("plus", "minus", t)
    b.at(20.0, 1.0, 50.0)
    assert np.array_equal(first, b.plant.samples_v("plus", "minus", t))


def test_threads_may_share_a_plant() -> None:
    b = unit().at(12.0, 2.0)
    wrong: list[Exception] = []

    def use(k: int) -> None:
        try:
            for n in range(60):
                b.clock.sleep(0.01)
                if k:
                    b.plant.set_load(LoadDemand("cc", 1.0 + 0.01 * n))
                b.plant.mean_v("plus", "minus", b.now - 0.02, b.now)
        except Exception as error:  # noqa: BLE001
            wrong.append(error)

    threads = [threading.Thread(target=use, args=(k,)) for k in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert wrong == []
    assert b.volts() == pytest.approx(12.0, abs=0.05)


def test_memory_stays_flat_over_a_soak() -> None:
    b = unit().at(12.0, 3.0)

    def while_on() -> None:
        for _ in range(250):  # twice the window that the history keeps
            b.wait(1.0)
            b.plant.mean_v("plus", "minus", b.now - 0.2, b.now)

    while_on()
    tracemalloc.start()
    while_on()
    first, _ = tracemalloc.get_traced_memory()
    while_on()
    second, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert second - first < 100e3


def test_steady_cycles_kept_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(steadiness, "KEEP", 20)
    b = unit().at(5.0)
    for k in range(30):
        b.at(5.0, 0.5 + 0.01 * k, 0.3)
        _ = b.plant.mode()
    assert len(b.plant._engine.store) <= 22


@pytest.mark.slow
def test_twelve_hours_with_everything_wandering() -> None:
    b = unit(calm=False).at(12.0, 3.0)
    seen = []
    for _ in range(12 * 3600):
        now = b.wait(1.0)
        seen.append(b.plant.mean_v("plus", "minus", now - 0.2, now))
        b.plant.load_a(now - 0.2, now)
        b.plant.inlet(now - 0.2, now)
    drift = np.array(seen[1800:])
    assert np.ptp(drift) < 0.001 * 12.0 + 0.005
    assert b.plant.truth.relay_transitions == 1


# ---- a healthy unit is a good one -------------------------------------------------------


@pytest.mark.parametrize("spec", [TWO_TAP, LAB, THREE_TAP, PLAIN, SWITCHER], ids=str)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_healthy_units_keep_the_limits_of_the_trade(spec: UnitSpec, seed: int) -> None:
    """Limits by class (common practice): load and source effect, ripple, setting."""
    b = unit(spec, seed).at(spec.v_max, 0.0, 8.0)
    v = spec.v_max
    idle = b.volts()
    full = b.at(v, spec.i_max, 2.0).volts()
    rms_v = b.plant.rms_ac_v("plus", "minus", b.now - 0.1, b.now)
    switching, lab = spec.kind == "switch-mode", spec.grade == "lab"
    assert rms_v < (3e-3 if switching else 0.5e-3)
    assert abs(idle - v) < (0.0005 * v + 0.01 if lab else 0.01 * v + 0.02)
    effect = 0.001 * v + 0.01 if switching else 1e-4 * v + (3e-3 if lab else 10e-3)
    assert 0.0 < idle - full < effect
    for part in (0.9, 1.1):
        b.plant.set_mains(part * spec.mains_v)
        b.wait(1.0)
        assert abs(b.volts() - full) < 1e-4 * v + (3e-3 if lab else 5e-3)
        assert b.plant.rms_ac_v("plus", "minus", b.now - 0.1, b.now) < 1.3 * rms_v


@pytest.mark.parametrize("seed", range(1, 7))
def test_every_tap_keeps_headroom_just_below_its_change(seed: int) -> None:
    b = unit(THREE_TAP, seed)
    for top in (*b.plant.truth.tap_up_v, 36.0):
        b.plant.set_mains(207.0)
        b.at(top - 0.15, 5.0, 2.0)
        truth, reg = b.plant.truth, b.plant.parts.regulator
        t = b.now - 0.02 + np.arange(2000) * 1e-5
        valley = truth.wave("raw", t).min()
        spare = valley - b.volts() - reg.dropout_v - 5.0 * reg.dropout_ohm
        assert 0.2 < spare < 2.0, (seed, top)


def find_tap(b: Bench, up: bool, load_a: float) -> float:
    """Walk over the tap point in 2 mV steps; the output when the coil changed."""
    truth = b.plant.truth
    edge = truth.tap_up_v[0] if up else truth.tap_down_v[0]
    side = -1.0 if up else 1.0
    gain, offset = truth.setting_gain, truth.parts.regulator.reference_offset_v
    b.at((edge + side * 0.1 - offset) / gain, load_a, 3.0)
    before = len([e for e in b.plant.events if e[1] == "coil"])
    for k in range(120):
        b.plant.set_voltage((edge + side * (0.1 - 0.002 * k) - offset) / gain)
        b.wait(0.08)
        coils = [e for e in b.plant.events if e[1] == "coil"]
        if len(coils) > before:
            return float(coils[-1][2]["v_out"])
    raise AssertionError("no tap change")


@pytest.mark.parametrize("load_a", [0.1, 1.5, 3.0])
def test_tap_points_are_where_truth_says(load_a: float) -> None:
    b = unit()
    b.plant.set_voltage(12.0)
    b.wait(3.0)
    for up in (False, True):
        found = find_tap(b, up, load_a)
        truth = b.plant.truth.tap_up_v[0] if up else b.plant.truth.tap_down_v[0]
        assert found == pytest.approx(truth, abs=4e-3)


def test_a_tap_change_shows_where_the_trade_looks_for_it() -> None:
    b = unit().at(9.3, 3.0, 2.0)
    b.plant.set_voltage(9.8)
    b.wait(1.0)
    when = next(t for t, kind, d in b.plant.events if kind == "contact" and d["made"])
    low = b.plant.inlet(when - 0.3, when - 0.1).p_w
    high = b.plant.inlet(when + 0.2, when + 0.4).p_w
    assert high - low > 10.0
    assert b.plant.mean_v("coil1", "minus", when + 0.1, when + 0.2) > 20.0
    assert b.plant.mean_v("coil1", "minus", when - 0.2, when - 0.1) == 0.0
    t = when + np.arange(-2000, 6000) * 5e-6
    raw = b.plant.samples_v("raw", "minus", t)
    assert raw[-1] - raw[0] > 10.0
    glitch = b.plant.samples_v("plus", "minus", t)
    calm = b.plant.samples_v("plus", "minus", when + 0.3 + np.arange(8000) * 5e-6)
    assert 2.0 * np.ptp(calm) < np.ptp(glitch) < 0.1


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

        def sleep(self, seconds: float) -> None:
            raise AssertionError

    clock = Hands()
    plant = Plant(design_unit(PLAIN, 1), clock, 1)
    plant.set_voltage(10.0)
    clock.t = 2.0
    assert plant.mean_v("plus", "minus", 1.9, 2.0) == pytest.approx(10.0, abs=0.1)
