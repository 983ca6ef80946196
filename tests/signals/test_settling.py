"""Settling and stable hold: closed-form exponentials, noise, hands."""

from __future__ import annotations

import numpy as np
import pytest

from runner.signals.samples import Invalid
from runner.signals.settling import (
    Hold,
    SettleRule,
    Settling,
    StableHold,
    State,
    Verdict,
    judge,
    settled_at,
)


def hold_of(result: Hold | Invalid) -> Hold:
    assert isinstance(result, Hold), result
    return result


def test_exponential_settles_when_its_slope_is_small_enough() -> None:
    # Slope of A e^(-t/τ) is A/τ e^(-t/τ); a window of 1 s looks back half a second on average.
    t_s = np.arange(0, 30, 0.1)
    v = 10 + 0.1 * np.exp(-t_s / 2)
    at_s = settled_at(t_s, v, SettleRule.for_limit(5e-3))  # 0.5 mV/s
    slope_there_s = 2 * np.log(0.1 / 2 / 0.5e-3)
    assert isinstance(at_s, float)
    assert slope_there_s < at_s < slope_there_s + 1.0


def test_a_constant_with_little_noise_settles_in_one_window() -> None:
    rng = np.random.default_rng(1)
    t_s = np.arange(0, 5, 0.1)
    at_s = settled_at(t_s, 5 + rng.normal(0, 2e-5, t_s.size), SettleRule.for_limit(4e-3))
    assert at_s == pytest.approx(1.0)


def test_noise_asks_for_a_longer_window_and_is_named() -> None:
    rng = np.random.default_rng(2)
    t_s = np.arange(0, 40, 0.1)
    v = 5 + rng.normal(0, 2e-3, t_s.size)
    rule = SettleRule.for_limit(4e-3)
    early = judge(t_s[:11], v[:11], rule)
    assert isinstance(early, Verdict)
    assert early.state is State.NOISY
    assert early.noise_sd == pytest.approx(2e-3, rel=0.6)
    at_s = settled_at(t_s, v, rule)
    assert isinstance(at_s, float)
    assert 2 <= at_s <= 16


def test_a_ramp_never_settles_and_is_called_moving() -> None:
    rng = np.random.default_rng(3)
    t_s = np.arange(0, 20, 0.1)
    v = 5 + 2e-3 * t_s + rng.normal(0, 1e-4, t_s.size)
    rule = SettleRule.for_limit(4e-3)
    verdict = judge(t_s, v, rule)
    assert isinstance(verdict, Verdict)
    assert verdict.state is State.MOVING
    assert isinstance(settled_at(t_s, v, rule), Invalid)


def test_slope_and_its_uncertainty_are_those_of_a_straight_line() -> None:
    # Source: scipy.stats.linregress.
    from scipy.stats import linregress

    rng = np.random.default_rng(4)
    t_s = np.linspace(0, 1, 11)
    v = rng.normal(0, 1, 11)
    verdict = judge(t_s, v, SettleRule(1e-3))
    assert isinstance(verdict, Verdict)
    line = linregress(t_s, v)
    assert verdict.slope_per_s == pytest.approx(line.slope)
    assert verdict.u_slope_per_s == pytest.approx(line.stderr)


def test_too_few_readings_wait() -> None:
    stream = Settling(SettleRule(1.0))
    states = [stream.add(t, 1.0) for t in (0.0, 0.5, 0.9)]
    assert all(isinstance(s, Verdict) and s.state is State.WAITING for s in states)
    slow = Settling(SettleRule(1.0))
    for t in range(4):
        verdict = slow.add(float(t), 1.0)
        assert isinstance(verdict, Verdict)
        assert verdict.state is State.WAITING  # five readings are asked for
    verdict = slow.add(4.0, 1.0)
    assert isinstance(verdict, Verdict)
    assert verdict.state is State.SETTLED


def test_an_invalid_reading_starts_afresh() -> None:
    stream = Settling(SettleRule(1.0))
    for k in range(11):
        last = stream.add(k / 10, 1.0)
    assert isinstance(last, Verdict)
    assert last.state is State.SETTLED
    assert isinstance(stream.add(1.1, float("nan")), Invalid)
    after = stream.add(1.2, 1.0)
    assert isinstance(after, Verdict)
    assert after.state is State.WAITING
    assert isinstance(stream.add(1.2, 1.0), Invalid)  # time stood still
    assert isinstance(stream.add(1.3, 9.91e37), Invalid)


def test_impossible_rules_are_refused() -> None:
    for bad in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="slope_limit_per_s"):
            SettleRule(bad)
        with pytest.raises(ValueError, match="window_s"):
            SettleRule(1.0, window_s=bad)
    with pytest.raises(ValueError, match="readings_min"):
        SettleRule(1.0, readings_min=2)


def test_a_still_knob_is_held_after_two_seconds_and_five_readings() -> None:
    # Source: common practice: 5 readings within ±max(2 mV, 0.02 %) for 2 s.
    hold = StableHold()
    found = [hold_of(hold.add(0.5 * k, 5 + 0.0015 * (-1) ** k)) for k in range(6)]
    assert [h.held for h in found] == [False, False, False, False, True, True]
    assert found[4].mean == pytest.approx(5, abs=4e-4)
    slow = StableHold()
    assert [hold_of(slow.add(1.0 * k, 5.0)).held for k in range(6)] == [False] * 4 + [True] * 2


def test_relative_band_counts_at_high_voltage() -> None:
    at_20 = StableHold()
    held = [hold_of(at_20.add(0.5 * k, 20 + 0.0035 * (-1) ** k)).held for k in range(6)]
    assert held[-1]  # 0.02 % of 20 V is 4 mV
    at_5 = StableHold()
    held = [hold_of(at_5.add(0.5 * k, 5 + 0.0035 * (-1) ** k)).held for k in range(6)]
    assert not any(held)


def test_a_turning_knob_is_not_held_and_a_nudge_starts_again() -> None:
    hold = StableHold()
    for k in range(20):
        assert not hold_of(hold.add(0.2 * k, 5 + 0.01 * k)).held
    for k in range(20, 30):
        hold_of(hold.add(0.2 * k, 5.2))
    assert hold_of(hold.add(6.0, 5.2)).held
    nudged = hold_of(hold.add(6.2, 5.25))
    assert not nudged.held
    assert nudged.readings == 1
    assert isinstance(hold.add(6.4, float("inf")), Invalid)
    assert isinstance(StableHold().add(float("nan"), 1.0), Invalid)


def test_a_long_hold_keeps_a_bounded_history() -> None:
    hold = StableHold()
    for k in range(5000):
        last = hold_of(hold.add(0.1 * k, 5.0))
    assert last.held
    assert last.readings < 100
    with pytest.raises(ValueError, match="band_abs"):
        StableHold(band_abs=-1)
    with pytest.raises(ValueError, match="readings_min"):
        StableHold(readings_min=1)
