"""Drift against NIST SP 1065, NIST StRD, and the Nile series."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from runner.signals.drift import (
    AllanDeviation,
    AllanKind,
    LevelShift,
    RobustSlope,
    WarmUp,
    allan_deviation,
    fit_warm_up,
    level_shift,
    robust_slope,
)
from runner.signals.samples import Invalid
from tests.signals.reference_data import columns, rows

KINDS: dict[str, AllanKind] = {
    "adev": "plain",
    "overlapping_adev": "overlapping",
    "modified_adev": "modified",
    "time_deviation": "time",
    "hadamard": "hadamard",
    "overlapping_hadamard": "overlapping-hadamard",
    "total(doubly reflected)": "total",
}
NBS_9 = (892, 809, 823, 798, 671, 644, 883, 903, 677)


def test_suite() -> np.ndarray:
    """Congruential generator of SP 1065, 12.4, p. 107-108; check words from the same page."""
    words = [1234567890]
    for _ in range(999):
        words.append(16807 * words[-1] % 2147483647)
    assert (words[1], words[999]) == (395529916, 1560135652)
    return np.array(words) / 2147483647


test_suite.__test__ = False  # type: ignore[attr-defined]


def expected(dataset: str, statistic: str) -> list[float]:
    (row,) = [
        r
        for r in rows("allan/expected.csv")
        if r["dataset"] == dataset and r["statistic"] == statistic
    ]
    return [float(row[m]) for m in ("m1", "m10_or_2", "m100") if row[m]]


@pytest.mark.parametrize("statistic", KINDS)
def test_nist_sp_1065_thousand_points_t4_17(statistic: str) -> None:
    # Source: NIST SP 1065, 12.4, table of the 1000-point suite.
    found = allan_deviation(
        np.arange(1000.0), test_suite(), factors=(1, 10, 100), kind=KINDS[statistic]
    )
    assert isinstance(found, AllanDeviation)
    assert found.deviation == pytest.approx(expected("sp1065_1000", statistic), rel=1e-6)


@pytest.mark.parametrize("statistic", KINDS)
def test_nbs_nine_points_t4_18(statistic: str) -> None:
    # Source: NBS monograph 140 annex, as in SP 1065, 12.3.
    found = allan_deviation(np.arange(9.0), NBS_9, factors=(1, 2), kind=KINDS[statistic])
    assert isinstance(found, AllanDeviation)
    assert found.deviation == pytest.approx(expected("nbs_9", statistic), rel=1e-6)


def test_averaging_time_and_time_deviation_follow_the_pace() -> None:
    y = test_suite()
    slow = allan_deviation(10 * np.arange(1000.0), y, factors=(1, 10), kind="time")
    assert isinstance(slow, AllanDeviation)
    assert slow.tau_s == pytest.approx([10, 100])
    assert slow.deviation == pytest.approx([1.687202, 3.563623], rel=1e-6)


def test_gaps_and_dead_readings_are_refused() -> None:
    t_s = np.arange(100.0)
    y = np.random.default_rng(1).normal(size=100)
    t_s[50:] += 3
    gap = allan_deviation(t_s, y)
    assert isinstance(gap, Invalid)
    assert "after reading 49" in gap.reason
    assert isinstance(allan_deviation(np.arange(100.0), np.ones(100)), Invalid)
    assert isinstance(allan_deviation(np.arange(100.0), y, factors=(80,)), Invalid)


@pytest.mark.parametrize(
    ("name", "b1", "sd_b1", "b2", "sd_b2", "rss"),
    [
        (
            "Misra1a", 238.94212918, 2.7070075241, 5.5015643181e-4, 7.2668688436e-6,
            0.12455138894,
        ),
        ("BoxBOD", 213.80940889, 12.354515176, 0.54723748542, 0.10455993237, 1168.0088766),
    ],
)  # fmt: skip
def test_nist_strd_saturating_exponential_t4_24(
    name: str, b1: float, sd_b1: float, b2: float, sd_b2: float, rss: float
) -> None:
    # Source: NIST StRD, y = b1 (1 - exp(-b2 x)); b2 = 1/τ.
    y, x = columns(f"nist_strd/{name}.csv")
    fit = fit_warm_up(x, y, start=0.0)
    assert isinstance(fit, WarmUp)
    assert (fit.change, fit.u_change) == pytest.approx((b1, sd_b1), rel=1e-6)
    assert 1 / fit.tau_s == pytest.approx(b2, rel=1e-6)
    assert fit.u_tau_s / fit.tau_s**2 == pytest.approx(sd_b2, rel=1e-6)
    assert fit.sum_of_squares == pytest.approx(rss, rel=1e-6)


def test_warm_up_with_free_start_agrees_with_scipy() -> None:
    # Source: scipy.optimize.curve_fit on the same model.
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(2)
    t_s = np.arange(0, 7200, 30.0)
    v = 12.004 - 0.010 * -np.expm1(-t_s / 900) + rng.normal(0, 2e-4, t_s.size)
    fit = fit_warm_up(t_s, v)
    assert isinstance(fit, WarmUp)
    popt, pcov = curve_fit(
        lambda t, a, b, tau: a + b * -np.expm1(-t / tau), t_s, v, p0=(12, -0.01, 1000)
    )
    assert (fit.start, fit.change, fit.tau_s) == pytest.approx(popt, rel=1e-5)
    assert (fit.u_start, fit.u_change, fit.u_tau_s) == pytest.approx(
        np.sqrt(np.diag(pcov)), rel=1e-3
    )
    assert fit.final == pytest.approx(11.994, abs=5e-4)


def test_a_straight_line_has_no_time_constant() -> None:
    t_s = np.arange(100.0)
    assert isinstance(fit_warm_up(t_s, 3 + 0.1 * t_s), Invalid)
    assert isinstance(fit_warm_up(t_s, np.ones(100)), Invalid)


def test_robust_slope_is_theil_sen_and_shrugs_off_wild_readings() -> None:
    # Source: scipy.stats.theilslopes for the few, the slope put in for the many.
    rng = np.random.default_rng(3)
    t_s = np.arange(0, 600, 10.0)
    v = 5 + 2e-6 * t_s + rng.normal(0, 1e-5, t_s.size)
    v[::5] += 0.1
    few = robust_slope(t_s, v)
    assert isinstance(few, RobustSlope)
    slope, _, low, high = theilslopes(v, t_s, alpha=0.95)
    assert (few.slope_per_s, few.low_per_s, few.high_per_s) == pytest.approx((slope, low, high))
    assert few.low_per_s < 2e-6 < few.high_per_s
    t_s = np.arange(30_000.0)
    v = 5 + 2e-7 * t_s + rng.normal(0, 1e-4, t_s.size)
    many = robust_slope(t_s, v)
    assert isinstance(many, RobustSlope)
    assert many.slope_per_s == pytest.approx(2e-7, rel=0.02)
    assert many.at_end - many.at_start == pytest.approx(2e-7 * 29_999, rel=0.02)


def test_temperature_coefficient_t1_12() -> None:
    # Source: 6023A manual p. 20 and arithmetic: 32 mV over 20 K on 20 V = 1.6 mV/K = 80 ppm/K.
    slope = robust_slope([30.0, 40.0, 50.0], [20.000, 20.016, 20.032])
    assert isinstance(slope, RobustSlope)
    assert slope.slope_per_s == pytest.approx(1.6e-3)
    assert slope.slope_per_s / 20 * 1e6 == pytest.approx(80.0)


def test_nile_level_shift_t4_27() -> None:
    # Source: statsmodels "nile" (public domain), break known to be 1898.
    _, flow = columns("nile_1871_1970.csv")
    shift = level_shift(flow)
    assert isinstance(shift, LevelShift)
    assert shift.index == 28
    assert (shift.before, shift.after) == pytest.approx((1097.750, 849.9722), abs=1e-4)
    assert shift.sum_of_squares == pytest.approx(1597457.19, abs=0.01)
    assert shift.sum_of_squares_whole == pytest.approx(2835156.75, abs=0.01)
    assert shift.p_value < 1e-6


def test_level_shift_by_chance_is_not_believed() -> None:
    rng = np.random.default_rng(4)
    p_values = []
    for _ in range(200):
        shift = level_shift(rng.normal(size=60))
        assert isinstance(shift, LevelShift)
        p_values.append(shift.p_value)
    assert np.mean(np.array(p_values) < 0.05) <= 0.05
