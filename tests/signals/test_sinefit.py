"""Sine fits against IEEE 1057/1241 values computed at 40 digits, and NIST StRD ENSO."""

from __future__ import annotations

import numpy as np
import pytest

from runner.signals.noise import effective_bits
from runner.signals.samples import Invalid
from runner.signals.sinefit import SineFit, Tone, fit_sine3, fit_sine4, fit_tones
from tests.signals.reference_data import columns


def fitted(result: SineFit | Invalid) -> SineFit:
    assert isinstance(result, SineFit), result
    return result


@pytest.mark.parametrize(
    ("f_hz", "a", "b", "offset", "amplitude", "phase", "residual_rms"),
    [
        (
            100, 0.00984998530015, -0.00739530963841, 5.0000475,
            0.0123171756122, 0.644009060543, 0.00108723788542,
        ),
        (
            100.37, 0.0101598820644, -0.00694902240979, 5.00000728441,
            0.0123090257947, 0.599884210605, 0.00106090229712,
        ),
    ],
)  # fmt: skip
def test_ieee_1057_three_parameter_fit_t5_14(
    f_hz: float, a: float, b: float, offset: float, amplitude: float, phase: float,
    residual_rms: float,
) -> None:  # fmt: skip
    # Source: three-parameter method of IEEE 1057/1241, solved with mpmath at 40 digits.
    _, t_s, v = columns("sinefit_record.csv")
    fit = fitted(fit_sine3(t_s, v, f_hz))
    part = fit.component(1)
    got = (part.a, part.b, fit.offset, part.amplitude, part.phase_rad, fit.residual_rms)
    assert got == pytest.approx((a, b, offset, amplitude, phase, residual_rms), rel=1e-9)


def test_ieee_1057_four_parameter_fit_t5_15() -> None:
    # Source: four-parameter method of IEEE 1057/1241, solved with mpmath at 40 digits.
    _, t_s, v = columns("sinefit_record.csv")
    fit = fitted(fit_sine4(t_s, v, 100.0))
    part = fit.component(1)
    assert part.f_hz == pytest.approx(100.38519155033, abs=1e-6)
    assert part.u_f_hz == pytest.approx(0.19728744, rel=1e-6)
    assert (part.a, part.b, fit.offset) == pytest.approx(
        (0.010172045933818, -0.0069303109461668, 5.0000056441011), rel=1e-7
    )
    assert part.amplitude == pytest.approx(0.0123085225876, rel=1e-7)
    assert fit.residual_rms == pytest.approx(0.0010608609047, rel=1e-7)


def test_nist_strd_enso_three_tones_t5_16() -> None:
    # Source: NIST StRD, ENSO: fixed year, two free periods; start values of set 1 (40 and 26).
    y, x = columns("nist_strd/ENSO.csv")
    tones = [Tone(1 / 12), Tone(1 / 40, free=True), Tone(1 / 26, free=True)]
    fit = fitted(fit_tones(x, y, tones))
    year, slow, fast = fit.components
    got = (
        fit.offset, year.a, year.b, 1 / slow.f_hz, slow.a, slow.b, 1 / fast.f_hz, fast.a, fast.b,
    )  # fmt: skip
    certified = (
        10.510749193, 3.0762128085, 0.53280138227, 44.311088700, -1.6231428586, 0.52554493756,
        26.887614440, 0.21232288488, 1.4966870418,
    )  # fmt: skip
    assert got == pytest.approx(certified, rel=1e-6)
    assert fit.sum_of_squares == pytest.approx(788.53978668, rel=1e-9)


def test_nist_strd_enso_standard_deviations() -> None:
    # Source: NIST StRD, ENSO, certified standard deviations of b1, b2, b4 and b7 (from memory).
    y, x = columns("nist_strd/ENSO.csv")
    fit = fitted(fit_tones(x, y, [Tone(1 / 12), Tone(1 / 40, free=True), Tone(1 / 26, free=True)]))
    slow, fast = fit.components[1:]
    assert fit.u_offset == pytest.approx(0.17488832467, rel=1e-6)
    assert slow.u_f_hz / slow.f_hz**2 == pytest.approx(0.94408025976, rel=1e-4)
    assert fast.u_f_hz / fast.f_hz**2 == pytest.approx(0.41614389216, rel=1e-3)


def test_effective_bits_of_a_quantised_full_scale_sine_t5_09_and_t5_10() -> None:
    # Source: 6.0206 N + 1.7609 dB (IEEE 1241); an ideal 8-bit converter has 49.926 dB.
    assert effective_bits(40.00) == pytest.approx(6.351, abs=1e-3)
    assert effective_bits(49.926) == pytest.approx(8, abs=1e-3)
    t_s = np.arange(20_000) * 1e-4
    codes = np.round(127.49 * np.sin(2 * np.pi * 50.123 * t_s) + 0.5) - 0.5
    fit = fitted(fit_sine3(t_s, codes, 50.123))
    assert fit.sinad_db == pytest.approx(49.926, abs=0.1)


def test_phase_and_offset_are_those_at_time_zero_even_for_late_records() -> None:
    t_s = 10 + np.sort(np.random.default_rng(1).uniform(0, 0.2, 400))  # uneven on purpose
    v = 3 + 0.5 * (t_s - 10) + 0.02 * np.cos(2 * np.pi * 50 * t_s + 0.7)
    fit = fitted(fit_tones(t_s, v, [Tone(50)], trend=True))
    assert fit.component(1).phase_rad == pytest.approx(0.7, abs=1e-8)
    assert fit.component(1).amplitude == pytest.approx(0.02, rel=1e-9)
    assert fit.offset == pytest.approx(-2, rel=1e-9)
    assert fit.slope == pytest.approx(0.5, rel=1e-9)


def test_amplitude_uncertainty_is_that_of_white_noise() -> None:
    # Source: Cramer-Rao bound of an amplitude in white noise, u² = 2 s²/N (IEEE 1057 annex).
    rng = np.random.default_rng(7)
    t_s = np.arange(2000) * 1e-4
    errors = []
    for _ in range(300):
        v = 0.01 * np.cos(2 * np.pi * 100 * t_s + 1) + rng.normal(0, 0.003, t_s.size)
        part = fitted(fit_sine3(t_s, v, 100)).component(1)
        errors.append((part.amplitude - 0.01) / part.u_amplitude)
    assert part.u_amplitude == pytest.approx(0.003 * np.sqrt(2 / 2000), rel=0.05)
    assert np.std(errors) == pytest.approx(1, abs=0.12)  # 300 draws: sd of the sd is 0.041


def test_no_sine_no_frequency() -> None:
    t_s = np.arange(400) * 1e-4
    v = np.random.default_rng(3).normal(0, 1, 400)
    far = fit_sine4(t_s, v + 50 * np.sin(2 * np.pi * 500 * t_s), 100.0)
    assert isinstance(far, Invalid)


@pytest.mark.parametrize(
    ("tones", "word"),
    [
        ([], "no tone"),
        ([Tone(-50)], "no frequency"),
        ([Tone(float("nan"))], "no frequency"),
        ([Tone(50, (2, 1))], "ascend"),
        ([Tone(50, (0,))], "no frequency"),
        ([Tone(0.5, free=True)], "half a period"),
        ([Tone(50), Tone(50)], "tell"),
    ],
)
def test_impossible_tones_are_refused(tones: list[Tone], word: str) -> None:
    t_s = np.arange(400) * 1e-4
    result = fit_tones(t_s, np.sin(2 * np.pi * 50 * t_s), tones)
    assert isinstance(result, Invalid)
    assert word in result.reason
