"""Pulse terms against IEEE 181 methods, closed forms of first and second order, a step record."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from runner.signals.samples import Invalid
from runner.signals.steps import (
    Excursion,
    Levels,
    Recovery,
    Transition,
    excursion,
    recovery,
    ring_cycles,
    state_levels,
    transition,
)
from tests.signals.reference_data import columns


def recovery_of(result: Recovery | Invalid) -> Recovery:
    assert isinstance(result, Recovery), result
    return result


def transition_of(result: Transition | Invalid) -> Transition:
    assert isinstance(result, Transition), result
    return result


def second_order(zeta: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unit step response of a second-order system with ωn = 1, closed form."""
    t = np.linspace(0, 40, 400_001)
    wd = np.sqrt(1 - zeta**2)
    response = 1 - np.exp(-zeta * t) * (np.cos(wd * t) + zeta / wd * np.sin(wd * t))
    before = np.arange(-1000, 0) * (t[1] - t[0])
    return np.concatenate([before, t]), np.concatenate([np.zeros(1000), response])


@pytest.mark.parametrize(
    ("zeta", "overshoot", "to_5", "to_2", "to_1", "rise"),
    [
        (0.3, 37.2326, 10.1371, 11.2301, 14.3246, 1.3213),
        (0.5, 16.3034, 5.2891, 8.0763, 8.7806, 1.6376),
        (0.7, 4.5988, 2.8998, 5.9788, 6.5747, 2.1262),
        (0.5**0.5, 4.3214, 2.9298, 5.9626, 6.5864, 2.1480),
        (0.9, 0.1524, 4.0143, 4.6996, 5.1273, 2.8830),
    ],
)
def test_second_order_step_t1_17(
    zeta: float, overshoot: float, to_5: float, to_2: float, to_1: float, rise: float
) -> None:
    # Source: e^(-πζ/√(1-ζ²)) and a dense grid of the closed form, run outside the project.
    t, v = second_order(zeta)
    for band, expected in ((0.05, to_5), (0.02, to_2), (0.01, to_1)):
        found = recovery_of(recovery(t, v, step_s=0.0, band_v=band, reference_v=1.0))
        assert found.time_s == pytest.approx(expected, abs=2e-4)
    step = transition_of(transition(t, v, Levels(0, 1)))
    assert step.overshoot_pct == pytest.approx(overshoot, abs=1e-4)
    assert step.duration_s == pytest.approx(rise, abs=2e-4)
    assert step.rising


def test_one_pole_rise_and_settling_t1_16_and_t1_18() -> None:
    # Source: arithmetic, 10-90 % = 2.19722 τ, ln(100) τ, ln(1000) τ, τ ln(200/15) = 25.903 µs.
    t = np.linspace(-1, 20, 210_001)
    v = np.where(t < 0, 0, 1 - np.exp(-np.maximum(t, 0)))
    step = transition_of(transition(t, v, Levels(0, 1)))
    assert step.duration_s == pytest.approx(2.19722, abs=1e-5)
    assert step.overshoot_pct == 0
    for band, expected in ((0.01, 4.60517), (0.001, 6.90776)):
        found = recovery_of(recovery(t, v, step_s=0.0, band_v=band, reference_v=1.0))
        assert found.time_s == pytest.approx(expected, abs=1e-4)
    t_s = np.linspace(0, 200e-6, 20_001)
    dip = 12 - 0.2 * np.exp(-t_s / 10e-6)
    found = recovery_of(recovery(t_s, dip, step_s=0.0, band_v=0.015, reference_v=12))
    assert found.time_s == pytest.approx(25.903e-6, abs=1e-9)
    assert found.peak_v == pytest.approx(-0.2)


@pytest.mark.parametrize(("band_mv", "microseconds"), [(15, 79.50), (4, 128.53), (1, 145.93)])
def test_step_record_recovery_t1_19(band_mv: float, microseconds: float) -> None:
    # Source: own record (second order, ζ 0.5, 10 kHz), last exit interpolated, run outside.
    t_us, v = columns("step_record.csv")
    found = recovery_of(
        recovery(t_us * 1e-6, v, step_s=200e-6, band_v=band_mv * 1e-3, reference_v=11.8)
    )
    assert found.time_s * 1e6 == pytest.approx(microseconds, abs=0.05)


def test_step_record_levels_and_undershoot_t1_19_and_t5_17() -> None:
    # Source: as above; histogram method of IEEE 181 with the median of the modal bin, which
    # finds the exact levels where bin centres would read 17.06 % and 25.69 µs.
    t_us, v = columns("step_record.csv")
    levels = state_levels(v)
    assert isinstance(levels, Levels)
    assert (levels.low_v, levels.high_v) == pytest.approx((11.8, 12.0), abs=2e-5)
    step = transition_of(transition(t_us, v))
    assert not step.rising
    assert step.overshoot_pct == pytest.approx(16.300, abs=0.01)
    assert step.duration_s == pytest.approx(26.074, abs=0.02)


def test_recovery_is_the_last_exit_not_the_first_entry_t1_15() -> None:
    # Source: definition in the product terms of power supplies (N8900 p. 138).
    t_s = np.arange(100.0)
    v = np.zeros(100)
    v[10:20], v[40:45] = 1.0, -1.0
    found = recovery_of(recovery(t_s, v, step_s=10.0, band_v=0.5, reference_v=0))
    assert found.time_s == pytest.approx(44.5 - 10)
    assert found.watched_s == pytest.approx(99 - 44.5)
    v[-1] = 1.0
    late = recovery(t_s, v, step_s=10.0, band_v=0.5, reference_v=0)
    assert isinstance(late, Invalid)
    assert "not back" in late.reason


def test_recovery_on_uneven_time_and_without_leaving_the_band() -> None:
    t_s = np.cumsum(np.random.default_rng(1).uniform(0.5, 1.5, 200))
    v = np.exp(-t_s / 20)
    found = recovery_of(recovery(t_s, v, step_s=t_s[0], band_v=0.1, reference_v=0))
    assert found.time_s + t_s[0] == pytest.approx(20 * np.log(10), abs=0.03)
    never = recovery_of(recovery(t_s, v, step_s=t_s[0], band_v=2, reference_v=0))
    assert never.time_s == 0
    for step_s in (-1.0, float(t_s[-1]), float("nan")):
        assert isinstance(recovery(t_s, v, step_s=step_s, band_v=0.1, reference_v=0), Invalid)


def test_ring_cycles_of_a_damped_sine() -> None:
    # Source: e^(-t/τ) cos: swings are visible until τ ln(A/visible), two to a cycle.
    t = np.linspace(0, 10, 100_001)
    v = np.exp(-t / 2) * np.cos(2 * np.pi * t)
    visible_swings = int(2 * (2 * np.log(1 / 0.1)))  # at t = k/2, k = 1, 2, …
    assert ring_cycles(v, reference_v=0, visible_v=0.1) == visible_swings / 2
    assert ring_cycles(np.exp(-t), reference_v=0, visible_v=0.1) == 0
    assert isinstance(ring_cycles([], reference_v=0, visible_v=0.1), Invalid)
    assert isinstance(ring_cycles(v, reference_v=0, visible_v=0), Invalid)


def test_two_pulses_give_the_first_transition_only() -> None:
    v = np.repeat([0.0, 1.0, 0.0, 2.0], 50)
    step = transition_of(transition(np.arange(200), v, Levels(0, 1)))
    assert step.rising
    assert step.middle_s == pytest.approx(49.5)
    assert step.overshoot_pct == 0


def test_flat_and_levelless_records_have_no_transition() -> None:
    t = np.arange(100.0)
    assert isinstance(transition(t, np.ones(100)), Invalid)
    assert isinstance(transition(t, np.linspace(0.2, 0.8, 100), Levels(0, 1)), Invalid)
    assert isinstance(transition(t, t, Levels(1, 1)), Invalid)
    with pytest.raises(ValueError, match="bins"):
        state_levels(t, bins=2)


def test_excursion_of_a_trapezoid() -> None:
    t_s = np.array([0, 1, 2, 3, 4, 5, 6, 7.0])
    v = 5 + np.array([0, 0, 0.2, 0.2, 0, -0.06, 0, 0])
    found = excursion(t_s, v, reference_v=5, bands_v=(0.05, 0.1, 0.5))
    assert isinstance(found, Excursion)
    assert (found.high_v, found.low_v) == pytest.approx((0.2, -0.06))
    durations = [span for _, span in found.outside_s]
    assert durations == pytest.approx([5 + 1 / 6 - 1.25, 3.5 - 1.5, 0])
    assert found.ended_inside == (True, True, True)
    cut = excursion(t_s[:4], v[:4], reference_v=5, bands_v=(0.05,))
    assert isinstance(cut, Excursion)
    assert cut.ended_inside == (False,)
