"""Ripple figures against handbook shapes, and the records that must be refused."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from runner.signals.mains import MainsFit, fit_mains
from runner.signals.noise import (
    gaussian_pp_over_sigma,
    high_pass_gain,
    low_pass_gain,
    quantisation_rms_v,
)
from runner.signals.ripple import (
    Ripple,
    below_rated_db,
    implausible,
    line_slope,
    measure,
    pool,
    remove_floor,
    repeated_block,
)
from runner.signals.samples import Invalid

N = 200_000
TURN = np.arange(N) / N  # exactly one period, so that sums are those of the integrals


def ripple_of(result: Ripple | Invalid) -> Ripple:
    assert isinstance(result, Ripple), result
    return result


def reason_of(result: object) -> str:
    assert isinstance(result, Invalid), result
    return result.reason


def shape(name: str) -> NDArray[np.float64]:
    """One period with p-p 1."""
    return {
        "sine": np.sin(2 * np.pi * TURN) / 2,
        "sawtooth": TURN,
        "triangle": np.abs(2 * TURN - 1),
        "square": np.where(TURN < 0.5, 0.0, 1.0),
        "full-wave": np.abs(np.sin(np.pi * TURN)),
        "half-wave": np.maximum(np.sin(2 * np.pi * TURN), 0),
    }[name]


@pytest.mark.parametrize(
    ("name", "rms"),
    [("sine", 0.353553), ("sawtooth", 0.288675), ("triangle", 0.288675), ("square", 0.5)],
)
def test_handbook_rms_of_unit_pp_t1_05_and_t5_05(name: str, rms: float) -> None:
    # Source: DC Power Supply Handbook AN 90B p. 107 (sawtooth 1/3.464), handbook shapes.
    found = ripple_of(measure(shape(name)))
    assert found.rms_v == pytest.approx(rms, abs=2e-6)
    assert found.pp_v == pytest.approx(1, abs=1e-5)
    assert found.pp_over_rms == pytest.approx(1 / rms, rel=1e-4)


@pytest.mark.parametrize(
    ("name", "mean", "ac_rms"),
    [("full-wave", 0.636620, 0.307758), ("half-wave", 0.318310, 0.385589)],
)
def test_rectified_sine_t5_06_and_t5_07(name: str, mean: float, ac_rms: float) -> None:
    # Source: handbook integrals of the rectified sine.
    found = ripple_of(measure(shape(name)))
    assert found.mean_v == pytest.approx(mean, abs=2e-6)
    assert found.rms_v == pytest.approx(ac_rms, abs=2e-6)


@pytest.mark.parametrize(
    ("name", "amplitudes"),
    [
        ("sawtooth", {1: 0.318310, 2: 0.159155, 3: 0.106103}),
        ("triangle", {1: 0.405285, 2: 0, 3: 0.0450316, 5: 0.0162114}),
        ("square", {1: 0.636620, 2: 0, 3: 0.212207, 5: 0.127324}),
        ("full-wave", {1: 0.424413, 2: 0.0848826, 3: 0.0363783, 4: 0.0202102}),
        ("half-wave", {1: 0.5, 2: 0.212207, 4: 0.0424413, 6: 0.0181891}),
    ],
)
def test_harmonics_of_shapes_t5_06_to_t5_08(name: str, amplitudes: dict[int, float]) -> None:
    # Source: Fourier series of the handbook shapes. Full-wave: one period here is 1/(2f).
    v = np.tile(shape(name)[::200], 20)  # 20 periods of 1000 samples
    fit = fit_mains(v, 1 / (1000 * 50), 50)
    assert isinstance(fit, MainsFit)
    assert abs(fit.f_hz - 50) <= 3 * fit.u_f_hz
    for order, amplitude in amplitudes.items():  # orders above 12 stay in the residual
        assert fit.amplitude_v(order) == pytest.approx(amplitude, abs=1.5e-4)


def test_noise_floor_comes_out_of_rms_only_t5_11() -> None:
    # Source: √(2.0² - 0.8²) = 1.8330.
    assert remove_floor(2.0e-3, 0.8e-3) == pytest.approx(1.8330e-3, abs=5e-8)
    assert remove_floor(2.0, 0.0) == 2.0
    assert "above the floor" in reason_of(remove_floor(0.8, 0.8))
    for bad in (float("nan"), float("inf"), -1.0, 0.0):
        reason_of(remove_floor(bad, 0.1))
    reason_of(remove_floor(1.0, float("nan")))


def test_quantisation_t5_09() -> None:
    # Source: LSB/√12.
    assert quantisation_rms_v(0.400, 8) == pytest.approx(1.5625e-3 / np.sqrt(12), rel=1e-12)
    assert quantisation_rms_v(0.400, 12) == pytest.approx(0.028191e-3, rel=2e-5)
    with pytest.raises(ValueError, match="bits"):
        quantisation_rms_v(0.4, 0)


@pytest.mark.parametrize(
    ("n", "d2"),
    [
        (2, 1.1284), (5, 2.3259), (10, 3.0775), (100, 5.0152), (1000, 6.4829), (10_000, 7.7032),
        (100_000, 8.7686),
    ],
)  # fmt: skip
def test_pp_of_gaussian_noise_grows_with_the_record_t5_13(n: int, d2: float) -> None:
    # Source: d2 constants of control charts.
    assert gaussian_pp_over_sigma(n) == pytest.approx(d2, abs=1e-3)


def test_pp_of_drawn_noise_agrees_with_d2() -> None:
    draws = np.random.default_rng(9).normal(0, 1e-3, (200, 1000))
    mean_pp = np.mean([ripple_of(measure(row)).pp_v for row in draws])
    assert mean_pp == pytest.approx(6.4829e-3, rel=0.02)


def test_coupling_and_bandwidth_t5_12() -> None:
    # Source: one-pole responses.
    low = [high_pass_gain(f, 10) for f in (50, 100, 120)]
    assert low == pytest.approx([0.98058, 0.99504, 0.99655], abs=1e-5)
    high = [low_pass_gain(f, 20e6) for f in (1e6, 5e6, 20e6)]
    assert high == pytest.approx([0.99875, 0.97014, 0.70711], abs=1e-5)
    with pytest.raises(ValueError, match="positive"):
        high_pass_gain(0, 10)


def test_whole_mains_periods_average_ripple_out_t1_22() -> None:
    # Source: an average over whole periods has no response to them (integrating meters).
    t_s = np.arange(2000) * 1e-5  # 20 ms
    v = 12 + 0.5 * np.sin(2 * np.pi * 100 * t_s + 0.3)
    assert ripple_of(measure(v)).mean_v == pytest.approx(12, abs=1e-12)


def test_drift_can_be_taken_out() -> None:
    t_s = np.arange(100_000) * 1e-5
    v = 5 + 0.02 * t_s + 0.001 * np.sin(2 * np.pi * 100 * t_s)
    plain = ripple_of(measure(v, dt_s=1e-5))
    slope = line_slope(v, 1e-5)
    assert isinstance(slope, float)
    assert slope == pytest.approx(0.02, rel=0.01)
    level = ripple_of(measure(v, dt_s=1e-5, slope_v_per_s=0.02))
    assert level.pp_v == pytest.approx(0.002, rel=1e-6)
    assert level.rms_v == pytest.approx(0.001 / np.sqrt(2), rel=1e-6)
    assert plain.pp_v > 0.02


def test_line_slope_of_one_sine_period_loses_61_percent_of_power() -> None:
    # Source: closed form, 6/π² of the power of one sine period lies in its least-squares line.
    v = np.sin(2 * np.pi * TURN)
    slope = line_slope(v, 1 / N)
    assert isinstance(slope, float)
    left = v - slope * (TURN - TURN.mean())
    assert 1 - np.var(left) / np.var(v) == pytest.approx(6 / np.pi**2, rel=1e-4)


def test_pooled_records() -> None:
    rng = np.random.default_rng(10)
    records = [rng.normal(0, s, 1000) for s in (1e-3, 2e-3)]
    both = ripple_of(pool([measure(r) for r in records]))
    assert both.records == 2
    assert both.pp_v == max(np.ptp(r) for r in records)
    assert both.rms_v == pytest.approx(np.sqrt(np.mean([np.var(r) for r in records])), rel=1e-12)
    assert "record 2 repeats record 1" in reason_of(pool([measure(records[0])] * 2))
    assert "record 2: the record is flat" in reason_of(
        pool([measure(records[0]), measure(np.zeros(100))])
    )
    assert "no records" in reason_of(pool([]))


@pytest.mark.parametrize(
    ("record", "word"),
    [
        ([], "empty"),
        ([1.0], "one sample"),
        ([1.0, 2.0], "2 samples"),
        (np.ones(100), "flat"),
        (np.zeros(100, np.int16), "flat"),
        ([*np.arange(50.0), float("nan")], "NaN"),
        ([*np.arange(50.0), float("inf")], "infinity"),
        ([*np.arange(50.0), 9.91e37], "overload"),
        (np.arange(100.0).reshape(10, 10), "dimensions"),
        (["a"] * 20, "real numbers"),
        (np.arange(20) * 1j, "real numbers"),
        (np.ma.masked_equal(np.arange(50.0), 3), "masked"),
    ],
)
def test_unfit_records_are_refused_with_the_reason(record: object, word: str) -> None:
    assert word in reason_of(measure(record))  # type: ignore[arg-type]


def test_int16_records() -> None:
    wave = 30_000 * np.sin(2 * np.pi * np.arange(1000) / 100)
    codes = wave.astype(np.int16)
    found = ripple_of(measure(codes))
    assert found.pp_v == pytest.approx(60_000, rel=1e-3)  # no wrapping in the difference
    doubled = (2 * wave).astype(np.int32).astype(np.int16)  # what an overflow leaves behind
    assert "overflowed" in reason_of(measure(doubled))
    railed = np.clip(2 * wave, -32768, 32767).astype(np.int16)
    assert "clipped" in reason_of(measure(railed))
    assert "clipped" in reason_of(measure(np.clip(wave / 100 + 128, 0, 255).astype(np.uint8)))


def test_clipping_with_a_known_range_is_refused() -> None:
    v = np.clip(0.05 * np.sin(2 * np.pi * 3 * TURN), -0.04, 0.04)
    assert "clipped" in reason_of(measure(v, range_v=(-0.04, 0.04)))
    ripple_of(measure(v, range_v=(-0.05, 0.05)))


@pytest.mark.parametrize(("levels", "peak"), [(20, 0.3), (60, 0.45), (200, 0.2)])
def test_clipping_without_a_known_range_is_suspected(levels: int, peak: float) -> None:
    sine = np.round(levels * 0.5 * np.sin(2 * np.pi * 7.3 * TURN))
    cut = np.clip(sine, -np.inf, peak * levels)
    assert not ripple_of(measure(sine)).clipping_suspected
    assert ripple_of(measure(cut)).clipping_suspected
    assert ripple_of(measure(-cut)).clipping_suspected


def test_block_served_twice_is_stale() -> None:
    v = np.random.default_rng(11).normal(0, 1, 4096)
    assert repeated_block(v, 512) is None
    v[1024:1536] = v[512:1024]
    assert "1024…1535 repeat" in reason_of(repeated_block(v, 512))
    with pytest.raises(ValueError, match="too short"):
        repeated_block(v, 4)


def test_pairs_that_belong_to_no_wave() -> None:
    # Source: rms <= p-p/2 for any bounded signal (Popoviciu 1935).
    assert implausible(1.0, 0.5) is None
    assert "below 2" in str(implausible(1.0, 0.51))
    for pp_v, rms_v in ((float("nan"), 1), (1, float("inf")), (0, 0), (-1, 1)):
        assert "not figures" in str(implausible(pp_v, rms_v))


def test_half_a_millivolt_of_rated_12_v_in_db_t1_06() -> None:
    # Source: terms page of a bench supply's documents, Vnoise/Vrating; -87.60 dB is arithmetic.
    assert below_rated_db(0.5e-3, 12.0) == pytest.approx(-87.60, abs=0.01)
    assert below_rated_db(12.0, 12.0) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("rms_v", "rated_v"), [(0.0, 12.0), (np.nan, 12.0), (1e-3, 0.0)])
def test_no_db_of_what_is_no_ripple_or_no_rating(rms_v: float, rated_v: float) -> None:
    assert "no figure in dB" in reason_of(below_rated_db(rms_v, rated_v))
