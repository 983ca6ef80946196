"""The whole ripple analysis of one record: p-p, rms, mains multiples, other lines, spectrum."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from runner.signals import ripple as ripple_of
from runner.signals.mains import MainsFit, fit_mains, thinned, thinning_gain
from runner.signals.ripple import Ripple
from runner.signals.samples import FloatArray, Invalid, checked_record
from runner.signals.spectrum import Line, Spectrum, amplitude_spectrum, strong_lines

__all__ = ["RippleAnalysis", "analyse"]

# Up to this many samples one transform shows everything; longer records get two spectra.
_ONE_TRANSFORM = 1 << 17
_SEGMENT = 1 << 16
_LOW_TOP_MULTIPLE = 200
# Mains wander within a record, as a fraction of the frequency (about 10 mHz, a chosen margin).
_WANDER = 2e-4
_DRIFT_SIGNIFICANT = 3.0


@dataclass(frozen=True, eq=False)
class RippleAnalysis:
    """Everything the ripple of one record shows.

    `mains` carries a reason when its fit was impossible (too short, too slow a record);
    `low` is a fine spectrum up to about 200 times the mains, `wide` one up to half the sampling
    rate (the same object when one transform shows both); both Hann. `others` are the strongest
    lines that are no multiples of the mains. `slope_v_per_s` was taken out before p-p and rms,
    0 unless the drift was certain.
    """

    ripple: Ripple
    mains: MainsFit | Invalid
    low: Spectrum
    wide: Spectrum
    others: tuple[Line, ...]
    slope_v_per_s: float


def analyse(
    v: ArrayLike,
    dt_s: float,
    *,
    mains_hz: float = 50.0,
    range_v: tuple[float, float] | None = None,
) -> RippleAnalysis | Invalid:
    """Analyse one evenly sampled record (n,) in volts, n >= 16.

    Time and memory are those of a few passes over the record: chunks of cache size, averaged
    spectra, sine fits on a thinned record. The record itself is neither copied nor changed.
    """
    samples = checked_record(v, minimum=16)
    if isinstance(samples, Invalid):
        return samples
    mains = fit_mains(samples, dt_s, mains_hz)
    slope = 0.0 if isinstance(mains, Invalid) else _certain_slope(mains)
    ripple = ripple_of.measure(samples, dt_s=dt_s, slope_v_per_s=slope, range_v=range_v)
    if isinstance(ripple, Invalid):
        return ripple
    wide = amplitude_spectrum(samples, dt_s, segment=_segment(samples.size))
    low = _low_spectrum(samples, dt_s, mains_hz, wide)
    if isinstance(wide, Invalid):
        return wide
    if isinstance(low, Invalid):
        return low
    return RippleAnalysis(ripple, mains, low, wide, _others(low, wide, mains, mains_hz), slope)


def _certain_slope(mains: MainsFit) -> float:
    certain = abs(mains.slope_v_per_s) > _DRIFT_SIGNIFICANT * mains.u_slope_v_per_s
    return mains.slope_v_per_s if certain else 0.0


def _segment(n: int) -> int | None:
    return None if n <= _ONE_TRANSFORM else _SEGMENT


def _low_spectrum(
    samples: FloatArray, dt_s: float, mains_hz: float, wide: Spectrum | Invalid
) -> Spectrum | Invalid:
    """Spectrum of the thinned record up to about 200 times the mains, its droop undone."""
    block = int(1 / (8 * _LOW_TOP_MULTIPLE * mains_hz * dt_s))
    if samples.size <= _ONE_TRANSFORM or block < 2 or samples.size < 64 * block:
        return wide
    means = thinned(samples, block)
    even = 1 << max(0, means.size.bit_length() - 8)  # lengths with large primes transform slowly
    low = amplitude_spectrum(means[: means.size // even * even], block * dt_s)
    if isinstance(low, Invalid):
        return low
    inside = low.f_hz <= _LOW_TOP_MULTIPLE * mains_hz
    f_hz, amplitude_v = low.f_hz[inside], low.amplitude_v[inside].copy()
    amplitude_v[1:] /= thinning_gain(f_hz[1:], block, dt_s)
    return Spectrum(f_hz, amplitude_v, low.window, low.enbw_hz, low.averages)


def _others(
    low: Spectrum, wide: Spectrum, mains: MainsFit | Invalid, mains_hz: float
) -> tuple[Line, ...]:
    """Lines from 20 Hz up that are not within two bins of a multiple of the mains."""
    f0_hz = mains_hz if isinstance(mains, Invalid) else mains.f_hz
    lines = list(strong_lines(low, from_hz=max(20.0, 3 * low.bin_hz), most=20))
    if wide is not low:
        lines = [line for line in lines if _in_wide_too(line, wide)]
        lines += strong_lines(wide, from_hz=float(low.f_hz[-1]), most=20)
    apart = [line for line in lines if not _is_multiple(line, f0_hz, low)]
    return tuple(sorted(apart, key=lambda line: -line.amplitude_v)[:5])


def _in_wide_too(line: Line, wide: Spectrum) -> bool:
    """Thinning folds a line from far up into the low spectrum; the wide one has it not there."""
    k = round(line.f_hz / wide.bin_hz)
    return k < 8 or float(wide.amplitude_v[k - 2 : k + 3].max()) > 0.5 * line.amplitude_v


def _is_multiple(line: Line, f0_hz: float, low: Spectrum) -> bool:
    """Within 2.5 bins it cannot be told from a multiple; those above order 200 are weak."""
    order = max(1, round(line.f_hz / f0_hz))
    if order > _LOW_TOP_MULTIPLE:
        return False
    return abs(line.f_hz - order * f0_hz) <= 2.5 * low.bin_hz + _WANDER * line.f_hz
