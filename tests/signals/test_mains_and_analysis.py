"""Mains multiples and the whole analysis: what was put in comes out, with its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from runner.signals.analysis import RippleAnalysis, analyse
from runner.signals.mains import MainsFit, fit_mains
from runner.signals.samples import Invalid
from tests.signals.reference_data import columns


def mains_of(result: MainsFit | Invalid) -> MainsFit:
    assert isinstance(result, MainsFit), result
    return result


def analysis_of(result: RippleAnalysis | Invalid) -> RippleAnalysis:
    assert isinstance(result, RippleAnalysis), result
    return result


@pytest.mark.parametrize("nominal_hz", [50.0, 60.0])
@pytest.mark.parametrize("off", [-0.015, 0.0, 0.004, 0.019])
@pytest.mark.parametrize("span_s", [0.1, 0.5, 5.0])
def test_frequency_and_amplitudes_near_nominal(
    nominal_hz: float, off: float, span_s: float
) -> None:
    f_hz = nominal_hz * (1 + off)
    t_s = np.arange(int(span_s * 20e3)) / 20e3
    rng = np.random.default_rng(12)
    v = 0.003 * np.cos(2 * np.pi * f_hz * t_s + 1) + 0.010 * np.sin(4 * np.pi * f_hz * t_s)
    fit = mains_of(fit_mains(v + 5 + rng.normal(0, 1e-3, t_s.size), 1 / 20e3, nominal_hz))
    assert fit.frequency_found
    assert abs(fit.f_hz - f_hz) < 4 * fit.u_f_hz
    for order, amplitude in ((1, 0.003), (2, 0.010)):
        line = next(line for line in fit.lines if line.order == order)
        assert abs(line.amplitude_v - amplitude) < 4 * line.u_amplitude_v
    assert fit.amplitude_v(3) < 5 * fit.lines[2].u_amplitude_v


def test_blocks_lose_no_amplitude() -> None:
    t_s = np.arange(1_000_000) * 1e-6
    v = 0.004 * np.sin(2 * np.pi * 100 * t_s) + 0.001 * np.sin(2 * np.pi * 600 * t_s)
    fit = mains_of(fit_mains(v, 1e-6, 50))
    assert fit.amplitude_v(2) == pytest.approx(0.004, rel=1e-9)
    assert fit.amplitude_v(12) == pytest.approx(0.001, rel=1e-9)


def test_no_mains_in_the_record_leaves_the_nominal_frequency() -> None:
    v = np.random.default_rng(13).normal(0, 1e-3, 50_000)
    fit = mains_of(fit_mains(v, 1e-5, 50))
    assert not fit.frequency_found
    assert fit.f_hz == 50
    assert all(line.amplitude_v < 5 * line.u_amplitude_v for line in fit.lines)


@pytest.mark.parametrize(
    ("n", "dt_s", "nominal_hz", "word"),
    [
        (1000, 1e-6, 50.0, "periods"),
        (1000, 0.01, 50.0, "too slow"),
        (1000, 0.0, 50.0, "interval"),
        (1000, float("nan"), 50.0, "interval"),
        (1000, 1e-3, -50.0, "mains"),
    ],
)
def test_records_that_cannot_show_the_mains(
    n: int, dt_s: float, nominal_hz: float, word: str
) -> None:
    result = fit_mains(np.random.default_rng(1).normal(size=n), dt_s, nominal_hz)
    assert isinstance(result, Invalid)
    assert word in result.reason


@pytest.mark.parametrize(("n", "fs_hz"), [(20_000, 100e3), (1_000_000, 1e6)])
def test_whole_analysis_of_a_regulator_with_a_switching_line(n: int, fs_hz: float) -> None:
    rng = np.random.default_rng(14)
    t_s = np.arange(n) / fs_hz
    v = (
        12
        + 0.002 * (t_s * 100.1 % 1 - 0.5)
        + 0.0005 * np.sin(2 * np.pi * 31_234 * t_s)
        + 0.0003 * np.sin(2 * np.pi * 1_777 * t_s)
        + rng.normal(0, 5e-5, n)
    )
    found = analysis_of(analyse(v, 1 / fs_hz))
    # Sources: sawtooth rms p-p/√12 and harmonics p-p/(πn) (handbook), sines A/√2.
    rms_v = np.sqrt(0.002**2 / 12 + 0.0005**2 / 2 + 0.0003**2 / 2 + 5e-5**2)
    assert found.ripple.rms_v == pytest.approx(rms_v, rel=2e-3)
    assert isinstance(found.mains, MainsFit)
    assert found.mains.amplitude_v(2) == pytest.approx(0.002 / np.pi, rel=5e-3)
    assert found.mains.amplitude_v(4) == pytest.approx(0.001 / np.pi, rel=1e-2)
    strongest, second = found.others[:2]
    assert strongest.f_hz == pytest.approx(31_234, abs=found.wide.bin_hz)
    assert strongest.amplitude_v == pytest.approx(0.0005, rel=0.03)
    assert second.f_hz == pytest.approx(1_777, abs=found.low.bin_hz)
    assert second.amplitude_v == pytest.approx(0.0003, rel=0.03)
    assert all(line.amplitude_v < 2e-4 for line in found.others[2:])
    assert found.slope_v_per_s == 0


def test_a_line_far_up_is_not_folded_into_the_low_spectrum() -> None:
    t_s = np.arange(1_000_000) * 1e-6
    v = 0.01 * np.sin(2 * np.pi * 81_500 * t_s)
    found = analysis_of(analyse(v + np.random.default_rng(2).normal(0, 1e-5, t_s.size), 1e-6))
    assert found.wide is not found.low
    assert [round(line.f_hz, -2) for line in found.others if line.amplitude_v > 1e-4] == [81_500]


def test_certain_drift_is_taken_out() -> None:
    t_s = np.arange(50_000) * 1e-5
    rng = np.random.default_rng(15)
    v = 0.05 * t_s + 0.001 * np.sin(2 * np.pi * 100 * t_s) + rng.normal(0, 1e-5, t_s.size)
    found = analysis_of(analyse(v, 1e-5))
    assert found.slope_v_per_s == pytest.approx(0.05, rel=1e-3)
    assert found.ripple.rms_v == pytest.approx(0.001 / np.sqrt(2), rel=1e-3)


def test_rectifier_waveforms_of_ngspice_show_f_and_2f() -> None:
    # Source: ngspice 39.3 operating points A1 (healthy) and A4 (one diode open), last two
    # mains cycles on a 50 µs grid: A(f) 0.0000 and 1.7830 V, A(2f) 0.8294 and 0.7662 V,
    # figures of the table computed there over ten cycles.
    t_ms, healthy, open_diode = columns("rectifier_a1_a4_wave.csv")
    dt_s = float(t_ms[1] - t_ms[0]) * 1e-3
    for wave, f_v, two_f_v in ((healthy, 0.0, 0.8294), (open_diode, 1.7830, 0.7662)):
        fit = mains_of(fit_mains(wave, dt_s, 50))
        assert fit.amplitude_v(1) == pytest.approx(f_v, abs=0.004)
        assert fit.amplitude_v(2) == pytest.approx(two_f_v, rel=0.005)


def test_unfit_records_are_refused() -> None:
    for record in ([], [1.0], np.zeros(1000), [float("nan")] * 100):
        assert isinstance(analyse(record, 1e-5), Invalid)
    assert isinstance(analyse(np.arange(100.0), 0.0), Invalid)
