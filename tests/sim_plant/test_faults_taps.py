"""What faults of the taps and of the heat show, and when faults begin.

Chatter rate about 1/(operate + release + filter) (common practice, calculated).
"""

from __future__ import annotations

import numpy as np
import pytest

from sim_instruments.plant import FAULTS
from tests.sim_plant.built import THREE_TAP, TWO_TAP, amplitude, under, unit, up_v, wave

# ---- taps -------------------------------------------------------------------------------


def test_tap_stuck_low() -> None:
    healthy, stuck = unit(), unit(TWO_TAP, 1, "tap-stuck-low")
    # but for the line rejection of the 20 V that the raw voltage lacks
    assert stuck.at(12.0).volts() == pytest.approx(healthy.at(12.0).volts(), abs=6e-3)
    loaded = stuck.at(20.0, 3.0)
    assert loaded.volts() < 15.0
    assert amplitude(wave(loaded), 100.0) > 0.3
    assert loaded.volts(0.1, "coil1") > 20.0  # the coil is driven, the contact does not follow
    assert stuck.plant.truth.relay_transitions == 0


def test_tap_stuck_high_doubles_the_power_at_low_output() -> None:
    healthy, stuck = unit().at(5.0, 3.0, 2.0), unit(TWO_TAP, 1, "tap-stuck-high").at(5.0, 3.0, 2.0)
    p = [b.plant.inlet(b.now - 0.2, b.now).p_w for b in (healthy, stuck)]
    assert 1.6 < p[1] / p[0] < 2.4
    assert stuck.volts() == pytest.approx(healthy.volts(), abs=0.01)
    healthy.wait(1800.0)
    stuck.wait(1800.0)
    assert stuck.plant.temperature_c("heatsink") > healthy.plant.temperature_c("heatsink") + 10.0


def test_tap_order_swapped_gives_a_raw_that_does_not_rise() -> None:
    b = unit(THREE_TAP, 1, "tap-order-swapped")
    raw = [b.at(v, 2.0, 2.0).volts(0.2, "raw") for v in (8.0, 18.0, 30.0)]
    assert raw[1] > raw[2] > raw[0]
    good = unit(THREE_TAP)
    raw = [good.at(v, 2.0, 2.0).volts(0.2, "raw") for v in (8.0, 18.0, 30.0)]
    assert raw[0] < raw[1] < raw[2]


def test_chatter_rate() -> None:
    """About 1/(operate + release + filter): 20 to 60 a second."""
    b = unit(TWO_TAP, 1, "tap-chatter")
    b.at(under(b, 0.5), 1.0)
    b.at(under(b, -0.012), 1.0, 0.5)
    before = b.plant.truth.relay_transitions
    b.wait(2.0)
    _ = b.volts(0.1)
    per_second = (b.plant.truth.relay_transitions - before) / 2.1 / 2.0
    assert 20.0 < per_second < 80.0
    good = unit()
    good.at(under(good, 0.5), 1.0)
    good.at(under(good, -0.012), 1.0, 2.0)
    assert good.plant.truth.relay_transitions == 1


@pytest.mark.parametrize(("volts", "drops"), [(1.5, True), (-1.5, False)])
def test_threshold_shift(volts: float, drops: bool) -> None:
    b = unit(TWO_TAP, 1, f"tap-threshold-shift:volts={volts}")
    assert up_v(b) - up_v(unit()) == pytest.approx(volts, abs=0.01)
    b.plant.set_mains(207.0)
    b.at(under(b, 0.05), 3.0)
    assert b.plant.truth.tap == 0
    assert (np.ptp(wave(b)) > 0.05) == drops


def test_weak_coil_lets_go_at_low_line() -> None:
    good, weak = unit(), unit(TWO_TAP, 1, "coil-weak")
    for b in (good, weak):
        b.at(20.0, 1.0)
        assert b.plant.truth.tap == 1
        b.plant.set_mains(207.0)
        b.wait(1.0)
    assert good.volts() == pytest.approx(20.0, abs=0.05)
    assert weak.volts() < 18.0
    assert weak.plant.truth.tap == 0


def test_thermal_cutout_comes_back_after_minutes() -> None:
    b = unit(TWO_TAP, 1, "thermal-cutout").at(10.2, 3.0, 1.0)
    trips = []
    for _ in range(240):
        b.wait(30.0)
        _ = b.plant.mode()
    trips = [(t, d["tripped"]) for t, kind, d in b.plant.events if kind == "thermal"]
    assert len(trips) >= 3
    assert [on for _, on in trips[:3]] == [True, False, True]
    assert 60.0 < trips[1][0] - trips[0][0] < 1800.0
    healthy = unit().at(10.2, 3.0, 7200.0)
    assert healthy.plant.mode() == "cv"


# ---- all of them ------------------------------------------------------------------------


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_waits_for_its_time(name: str) -> None:
    spec = THREE_TAP if name == "tap-order-swapped" else TWO_TAP
    b, healthy = unit(spec, 3, f"{name}:at=20s"), unit(spec, 3)
    for x in (b, healthy):
        x.at(6.0, 1.0, 5.0)
    t = b.now - 0.02 + np.arange(500) * 40e-6
    before = b.plant.samples_v("plus", "minus", t)
    assert np.array_equal(before, healthy.plant.samples_v("plus", "minus", t))
    assert b.plant.parts == healthy.plant.parts
    b.wait(20.0)
    _ = b.volts()
    assert b.plant.parts != healthy.plant.parts
    assert [e[0] for e in b.plant.events if e[1] == "fault"] == pytest.approx([20.0])


def test_a_fault_may_wait_for_warmth() -> None:
    b = unit(TWO_TAP, 1, "reference-low:at_c=35").at(5.0, 3.0, 5.0)
    cold = b.volts()
    b.wait(3600.0)
    assert b.volts() == pytest.approx(0.88 * cold, rel=0.01)
    when = next(t for t, kind, _ in b.plant.events if kind == "fault")
    assert 30.0 < when < 3600.0
