"""Windows and spectra against published constants and scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from runner.signals.samples import Invalid
from runner.signals.spectrum import (
    Spectrum,
    amplitude_spectrum,
    line_amplitude,
    strong_lines,
)
from runner.signals.windows import WINDOW_NAMES, half_bin_loss_db, make


def spectrum_of(result: Spectrum | Invalid) -> Spectrum:
    assert isinstance(result, Spectrum), result
    return result


@pytest.mark.parametrize(
    ("name", "coherent_gain", "enbw_bins", "loss_db"),
    [
        ("rectangle", 1, 1, -3.9224),
        ("hann", 0.5, 1.5, -1.4236),
        ("hamming", 0.54, 1.3628, -1.7514),
        ("blackman", 0.42, 1.7268, -1.0989),
        ("blackman-harris", 0.35875, 2.0044, -0.8256),
        ("flattop", 0.215579, 3.7702, -0.0098),
    ],
)
def test_window_constants_t5_01(
    name: str, coherent_gain: float, enbw_bins: float, loss_db: float
) -> None:
    # Source: the windows' definitions, N 4096 periodic, evaluated outside the project.
    window = make(name, 4096)
    assert window.coherent_gain == pytest.approx(coherent_gain, abs=1e-6)
    assert window.enbw_bins == pytest.approx(enbw_bins, abs=1e-4)
    assert half_bin_loss_db(window) == pytest.approx(loss_db, abs=1e-4)


@pytest.mark.parametrize(
    ("name", "enbw_bins", "flatness_db"),
    [
        ("hft70", 3.4129, 0.0065),
        ("hft90d", 3.8832, 0.0039),
        ("hft95", 3.8112, 0.0044),
        ("hft116d", 4.2186, 0.0028),
        ("hft144d", 4.5386, 0.0021),
    ],
)
def test_flat_top_family_t5_02(name: str, enbw_bins: float, flatness_db: float) -> None:
    # Source: "Spectrum and spectral density estimation by the DFT", AEI Hannover 2002, app. D.
    window = make(name, 4096)
    assert window.enbw_bins == pytest.approx(enbw_bins, abs=1e-4)
    n = np.arange(4096)
    offsets = np.linspace(0, 0.5, 101)
    gains = [abs(np.sum(window.weights * np.exp(-2j * np.pi * d * n / 4096))) for d in offsets]
    worst_db = np.abs(20 * np.log10(np.array(gains) / window.weights.sum())).max()
    assert worst_db == pytest.approx(flatness_db, abs=1e-4)


def test_unknown_window_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="hann"):
        make("triangular", 64)
    with pytest.raises(ValueError, match="0 samples"):
        make("hann", 0)
    assert len(set(WINDOW_NAMES)) == 11


@pytest.mark.parametrize(
    ("window", "largest_mv"), [("rectangle", 6.5213), ("hann", 8.4886), ("flattop", 9.9890)]
)
def test_off_bin_amplitude_t5_03(window: str, largest_mv: float) -> None:
    # Source: closed form of the window's transform half a bin off, evaluated outside.
    t_s = np.arange(1000) / 10e3
    v = 0.010 * np.sin(2 * np.pi * 105 * t_s)
    spectrum = spectrum_of(amplitude_spectrum(v, 1e-4, window=window))
    assert spectrum.amplitude_v.max() * 1e3 == pytest.approx(largest_mv, abs=1e-4)


def test_on_bin_amplitude_t5_04() -> None:
    # Source: the amplitudes put in.
    t_s = np.arange(1000) / 10e3
    v = 0.5 + 0.012 * np.sin(2 * np.pi * 100 * t_s) + 0.004 * np.cos(2 * np.pi * 200 * t_s)
    spectrum = spectrum_of(amplitude_spectrum(v, 1e-4))
    assert spectrum.amplitude_v[[10, 20]] == pytest.approx([0.012, 0.004], rel=1e-9)
    assert spectrum.f_hz[[10, 20]] == pytest.approx([100, 200])


def test_density_agrees_with_scipy_welch() -> None:
    # Source: scipy.signal.welch, an independent implementation.
    v = np.random.default_rng(4).normal(0, 1e-3, 10_000)
    ours = spectrum_of(amplitude_spectrum(v, 1e-5, segment=1024))
    f_hz, density = scipy.signal.welch(v, fs=1e5, nperseg=1024)
    assert ours.f_hz == pytest.approx(f_hz)
    inner = slice(1, -1)  # scipy does not double the ends either, its convention there differs
    assert ours.density_v_per_rthz[inner] ** 2 == pytest.approx(density[inner], rel=1e-9)


def test_parseval_with_a_rectangle() -> None:
    # Source: Parseval's theorem.
    v = np.random.default_rng(5).normal(0, 2, 1000)
    amplitude_v = spectrum_of(amplitude_spectrum(v, 1.0, window="rectangle")).amplitude_v
    power = np.sum(amplitude_v[1:-1] ** 2) / 2 + amplitude_v[-1] ** 2
    assert power == pytest.approx(np.var(v), rel=1e-9)


@pytest.mark.parametrize("f_hz", [12_000.0, 12_004.0, 12_031.7])
def test_line_amplitude_is_free_of_scalloping(f_hz: float) -> None:
    rng = np.random.default_rng(6)
    t_s = np.arange(1 << 16) * 1e-6
    v = 0.003 * np.sin(2 * np.pi * f_hz * t_s) + rng.normal(0, 1e-4, t_s.size)
    spectrum = spectrum_of(amplitude_spectrum(v, 1e-6))
    (line,) = strong_lines(spectrum, from_hz=1000, most=1)
    assert line.amplitude_v == pytest.approx(0.003, rel=0.01)
    assert line.f_hz == pytest.approx(f_hz, abs=spectrum.bin_hz)
    at = int(np.argmax(spectrum.amplitude_v))
    assert line_amplitude(spectrum, at) == line.amplitude_v


def test_noise_alone_has_no_lines() -> None:
    v = np.random.default_rng(8).normal(0, 1e-3, 1 << 18)
    spectrum = spectrum_of(amplitude_spectrum(v, 1e-6, segment=1 << 12))
    assert strong_lines(spectrum, from_hz=1000) == ()
