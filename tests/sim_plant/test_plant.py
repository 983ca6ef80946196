"""One seed, one world; and a healthy unit is a good one."""

from __future__ import annotations

import threading
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from sim_instruments.plant import LoadDemand, UnitSpec, design_unit, steadiness
from sim_instruments.plant.history import Steady
from tests.sim_plant.built import PLAIN, SWITCHER, THREE_TAP, TWO_TAP, Bench, samples, unit

LAB = replace(TWO_TAP, grade="lab")


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


@pytest.mark.parametrize("spec", [TWO_TAP, THREE_TAP, PLAIN, SWITCHER], ids=str)
def test_at_rest_the_plant_stands_on_a_steady_cycle(spec: UnitSpec) -> None:
    """Else every mains cycle of an hour's drift is stepped through."""
    b = unit(spec, calm=False).at(spec.v_max, 0.5 * spec.i_max, 30.0)
    looks = []
    for _ in range(60):
        b.wait(1.0)
        _ = b.plant.mode()
        looks.append(isinstance(b.plant._engine.history.last(), Steady))
    assert sum(looks) > 55


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
