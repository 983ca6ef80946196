"""Amplitudes at the mains frequency and its multiples, by one fit with a common fundamental."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike

from runner.signals.samples import FloatArray, Invalid, checked_record
from runner.signals.sinefit import SineFit, Tone, fit_tones

__all__ = ["MainsFit", "MainsLine", "fit_mains", "thinned", "thinning_gain"]

_ORDERS = tuple(range(1, 13))
# Samples kept per period of the highest order after averaging.
_OVERSAMPLING = 8
_STRONG = 5.0


@dataclass(frozen=True)
class MainsLine:
    """A multiple of the mains: peak amplitude in V with its standard uncertainty."""

    order: int
    f_hz: float
    amplitude_v: float
    u_amplitude_v: float


@dataclass(frozen=True)
class MainsFit:
    """All multiples fitted, and the drift found beside them.

    `frequency_found` is false when no multiple stood out enough to fix the frequency; the
    amplitudes are then those at the nominal frequency. The uncertainties contain the colour
    of the residual (first-order: √((1 + r)/(1 - r)) with its lag-1 autocorrelation r > 0).
    """

    f_hz: float
    u_f_hz: float
    frequency_found: bool
    lines: tuple[MainsLine, ...]
    slope_v_per_s: float
    u_slope_v_per_s: float
    residual_rms_v: float

    def amplitude_v(self, order: int) -> float:
        """Peak amplitude of a multiple; KeyError if it was not fitted."""
        for line in self.lines:
            if line.order == order:
                return line.amplitude_v
        raise KeyError(order)


def fit_mains(
    v: ArrayLike,
    dt_s: float,
    nominal_hz: float,
    *,
    orders: tuple[int, ...] = _ORDERS,
    tolerance: float = 0.02,
) -> MainsFit | Invalid:
    """Fit sines at all `orders` of one fundamental within `tolerance` of `nominal_hz`.

    v (n,) in volts, evenly sampled, at least 1.5 periods of the mains. Long records are first
    averaged (`thinned`); the amplitude that this takes is known and put back. Orders above a
    quarter of the sampling rate are left out.
    """
    samples = checked_record(v, minimum=16)
    if isinstance(samples, Invalid):
        return samples
    if not (np.isfinite(dt_s) and dt_s > 0 and np.isfinite(nominal_hz) and nominal_hz > 0):
        return Invalid(f"a sample interval of {dt_s} s or mains of {nominal_hz} Hz")
    kept = tuple(k for k in orders if 0 < k * nominal_hz * dt_s <= 0.25)
    periods = samples.size * dt_s * nominal_hz
    if not kept:
        return Invalid(f"sampled every {dt_s:g} s: too slow for {nominal_hz:g} Hz")
    if periods < 1.5:
        return Invalid(f"the record holds {periods:.2g} periods of {nominal_hz:g} Hz, 1.5 needed")
    block = max(1, int(1 / (_OVERSAMPLING * max(kept) * nominal_hz * dt_s)))
    means = thinned(samples, block)
    t_s = np.arange(1, means.size + 1, dtype=np.float64) * (block * float(dt_s))
    found = _free_fit(t_s, means, nominal_hz, kept, tolerance)
    fit = found or fit_tones(t_s, means, [Tone(nominal_hz, kept)], trend=True)
    if isinstance(fit, Invalid):
        return fit
    return _put_back(fit, block, dt_s, found is not None)


def thinned(samples: FloatArray, block: int) -> FloatArray:
    """Triangle-weighted means over two blocks, one for each block; shape (n // block - 1,).

    Value m belongs to the time of sample (m + 1)·block. Two running sums of each block make
    it: Σv and Σjv. What is faster than the new pace is damped twice as much, in dB, as plain
    block means damp it, so that little of it is folded down. With block 1: samples 1 to n-1.
    """
    whole = samples.size // block * block
    blocks = samples[:whole].reshape(-1, block)
    plain = blocks.sum(axis=1)
    rising = np.einsum("ij,j->i", blocks, np.arange(block) / block)
    result: FloatArray = (rising[:-1] + plain[1:] - rising[1:]) / block
    return result


def thinning_gain(f_hz: ArrayLike, block: int, dt_s: float) -> FloatArray:
    """What `thinned` leaves of an amplitude at f > 0: [sin(πfBΔt)/(B sin(πfΔt))]²."""
    half_turn = np.pi * dt_s * np.asarray(f_hz, dtype=np.float64)
    gain: FloatArray = (np.sin(block * half_turn) / (block * np.sin(half_turn))) ** 2
    return gain


def _free_fit(
    t_s: FloatArray, means: FloatArray, nominal_hz: float, orders: tuple[int, ...], tolerance: float
) -> SineFit | None:
    """Fit with the frequency free, or None when the record does not fix it near nominal."""
    span_s = float(t_s[-1] - t_s[0])
    if span_s * nominal_hz < 2:
        return None
    start_hz = nominal_hz
    if span_s * nominal_hz * tolerance * 2 > 0.3:
        start_hz = _best_start(means, span_s / (means.size - 1), nominal_hz, orders, tolerance)
    fit = fit_tones(t_s, means, [Tone(start_hz, orders, free=True)], trend=True)
    if isinstance(fit, Invalid):
        return None
    f_hz = fit.components[0].f_hz / fit.components[0].order
    strong = any(
        part.amplitude > _STRONG * part.u_amplitude * _colour(fit.lag1) for part in fit.components
    )
    near = abs(f_hz - nominal_hz) <= tolerance * nominal_hz
    return fit if strong and near else None


def _best_start(
    means: FloatArray, step_s: float, nominal_hz: float, orders: tuple[int, ...], tolerance: float
) -> float:
    """Frequency whose multiples hold the most power in a four times padded transform."""
    padded = scipy.fft.next_fast_len(4 * means.size, real=True)
    weights = np.hanning(means.size)
    power = np.abs(scipy.fft.rfft((means - means.mean()) * weights, padded)) ** 2
    per_hz = padded * step_s
    fine_hz = 1 / (2 * max(orders) * per_hz)
    count = int(tolerance * nominal_hz / fine_hz)
    candidates = nominal_hz + np.arange(-count, count + 1) * fine_hz
    bins = np.rint(np.outer(candidates, orders) * per_hz).astype(np.intp)
    return float(candidates[np.argmax(power[np.minimum(bins, power.size - 1)].sum(axis=1))])


def _colour(lag1: float) -> float:
    r = min(max(lag1, 0.0), 0.99)
    return float(np.sqrt((1 + r) / (1 - r)))


def _put_back(fit: SineFit, block: int, dt_s: float, found: bool) -> MainsFit:
    lines = []
    for part in fit.components:
        kept = float(thinning_gain(part.f_hz, block, dt_s))
        u_v = part.u_amplitude * _colour(fit.lag1) / kept
        lines.append(MainsLine(part.order, part.f_hz, part.amplitude / kept, u_v))
    first = fit.components[0]
    return MainsFit(
        f_hz=first.f_hz / first.order,
        u_f_hz=first.u_f_hz / first.order * _colour(fit.lag1),
        frequency_found=found,
        lines=tuple(lines),
        slope_v_per_s=fit.slope,
        u_slope_v_per_s=fit.u_slope * _colour(fit.lag1),
        residual_rms_v=fit.residual_rms,
    )
