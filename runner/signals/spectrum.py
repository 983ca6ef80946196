"""Amplitude spectrum and amplitude density of an evenly sampled record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from runner.signals.samples import FloatArray, Invalid, checked_record
from runner.signals.windows import make

__all__ = ["Line", "Spectrum", "amplitude_spectrum", "line_amplitude", "strong_lines"]

# Samples worked on at a time: small enough to stay in the processor's cache.
_CHUNK_SAMPLES = 1 << 18
_ENOUGH_SEGMENTS = 100


@dataclass(frozen=True, eq=False)
class Spectrum:
    """One-sided spectrum; `f_hz` and `amplitude_v` have shape (segment//2 + 1,).

    `amplitude_v` is the peak amplitude of a sine that sits on the bin (rms value of it over
    the averaged segments), mean removed. Density: V/√Hz rms = amplitude/√(2 ENBW) with
    `enbw_hz`. `averages` is the number of segments.
    """

    f_hz: FloatArray
    amplitude_v: FloatArray
    window: str
    enbw_hz: float
    averages: int

    @property
    def bin_hz(self) -> float:
        """Distance between two bins."""
        return float(self.f_hz[1])

    @property
    def density_v_per_rthz(self) -> FloatArray:
        """Amplitude density, V rms per √Hz, shape of `f_hz`."""
        density: FloatArray = self.amplitude_v / float(np.sqrt(2 * self.enbw_hz))
        return density


def amplitude_spectrum(
    v: ArrayLike, dt_s: float, *, window: str = "hann", segment: int | None = None
) -> Spectrum | Invalid:
    """Amplitude spectrum; with `segment` shorter than the record, averaged in power.

    Segments overlap by half (Welch 1967), from 100 segments on they follow each other without
    overlap, which then gains little; each has its own mean removed. A = 2|X|/(N·CG),
    rms over the segments; at 0 and at half the sampling rate A = |X|/(N·CG). The work goes
    chunk by chunk, so that memory stays far below that of one transform of the record.
    """
    samples = checked_record(v, minimum=8)
    if isinstance(samples, Invalid):
        return samples
    if not (np.isfinite(dt_s) and dt_s > 0):
        return Invalid(f"the sample interval is {dt_s} s")
    length = samples.size if segment is None else min(segment, samples.size)
    if length < 8:
        return Invalid(f"segments of {length} samples are too short for a spectrum")
    weights = make(window, length)
    power, count = _mean_power(samples, weights.weights)
    amplitude_v = np.sqrt(power) * (2 / (length * weights.coherent_gain))
    amplitude_v[0] /= 2
    if length % 2 == 0:
        amplitude_v[-1] /= 2
    f_hz = np.arange(amplitude_v.size) / (length * dt_s)
    return Spectrum(f_hz, amplitude_v, window, weights.enbw_bins / (length * dt_s), count)


def _mean_power(samples: FloatArray, weights: FloatArray) -> tuple[FloatArray, int]:
    length = weights.size
    step = length if samples.size >= _ENOUGH_SEGMENTS * length else max(1, length // 2)
    segments = sliding_window_view(samples, length)[::step]
    at_once = max(1, _CHUNK_SAMPLES // length)
    power = np.zeros(length // 2 + 1)
    for start in range(0, len(segments), at_once):
        block = segments[start : start + at_once]
        block = block - block.mean(axis=1, keepdims=True)
        block *= weights
        bins = scipy.fft.rfft(block, axis=1, overwrite_x=True)
        parts = bins.view(np.float64)
        np.multiply(parts, parts, out=parts)
        summed = parts.sum(axis=0)
        power += summed[0::2] + summed[1::2]
    return power / len(segments), len(segments)


@dataclass(frozen=True)
class Line:
    """A narrow line of a spectrum: where it is and the peak amplitude of its sine."""

    f_hz: float
    amplitude_v: float


def line_amplitude(spectrum: Spectrum, index: int, *, half_width: int = 3) -> float:
    """Peak amplitude in V of the line at bin `index`, free of scalloping.

    The power of the bins around it is summed, less the median of the neighbourhood, and
    divided by the ENBW: A² = Σ(A_k² - median)/ENBW_bins. Good for a window whose main lobe
    lies within `half_width` bins (Hann: 2).
    """
    power = spectrum.amplitude_v**2
    around = power[max(1, index - 4 * half_width) : index + 4 * half_width + 1]
    lobe = power[max(1, index - half_width) : index + half_width + 1]
    floor = float(np.median(around))
    enbw_bins = spectrum.enbw_hz / spectrum.bin_hz
    return float(np.sqrt(max(0.0, float(np.sum(lobe - floor))) / enbw_bins))


def strong_lines(
    spectrum: Spectrum, *, from_hz: float, most: int = 5, above_floor: float = 5.0
) -> tuple[Line, ...]:
    """Give the strongest lines above `from_hz`, strongest first.

    A line is a local maximum at least `above_floor` times the running median of amplitude
    over 61 bins: the median ignores the lines themselves (common practice).
    """
    from scipy.ndimage import median_filter
    from scipy.signal import find_peaks

    amplitude_v = spectrum.amplitude_v
    floor_v = median_filter(amplitude_v, size=min(61, amplitude_v.size), mode="nearest")
    peaks, _ = find_peaks(amplitude_v, height=above_floor * floor_v, distance=4)
    peaks = peaks[spectrum.f_hz[peaks] >= from_hz]
    strongest = peaks[np.argsort(amplitude_v[peaks])[::-1][:most]]
    lines = (Line(float(spectrum.f_hz[k]), line_amplitude(spectrum, int(k))) for k in strongest)
    return tuple(line for line in lines if line.amplitude_v > 0)
