"""Sine fits: known frequency, free frequency, harmonics of one fundamental, several tones.

All are one model, y(t) = C [+ D t] + Σ_tones Σ_orders [A cos(2πkft) + B sin(2πkft)], solved by
Gauss-Newton. With one tone it is the three-parameter (frequency fixed) and four-parameter
(frequency free) method of IEEE 1057 / IEEE 1241.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.linear import LinearFit, dot, solve
from runner.signals.samples import FloatArray, Invalid, checked_pair, is_flat

__all__ = ["Component", "SineFit", "Tone", "fit_sine3", "fit_sine4", "fit_tones"]

_STEPS_MAX = 60


@dataclass(frozen=True)
class Tone:
    """What to fit: a fundamental, its multiples (ascending), and whether it is free to move."""

    f_hz: float
    orders: tuple[int, ...] = (1,)
    free: bool = False


@dataclass(frozen=True)
class Component:
    """One sine of the fit: A cos(2πft) + B sin(2πft) = amplitude · cos(2πft + phase).

    Units: volts (or the unit of the record), radians, Hz; `u_` marks standard uncertainties
    from the residual. `phase_rad` is that of the cosine, atan2(-B, A), at t = 0.
    """

    f_hz: float
    u_f_hz: float
    order: int
    a: float
    b: float
    amplitude: float
    u_amplitude: float
    phase_rad: float
    u_phase_rad: float


@dataclass(frozen=True, eq=False)
class SineFit:
    """Result: offset C, slope D (0 unless asked for), the components, and what is left.

    `residual_rms` divides by the number of samples M (IEEE 1057); `residual_sd` by M - p.
    `lag1` is the residual's lag-1 autocorrelation: far from zero, the uncertainties, which
    take the residual for white, are too small (positive) or too large (negative).
    """

    offset: float
    u_offset: float
    slope: float
    u_slope: float
    components: tuple[Component, ...]
    residual_rms: float
    residual_sd: float
    lag1: float
    sum_of_squares: float

    @property
    def sinad_db(self) -> float:
        """Signal to noise and distortion: rms of all components over the residual rms, in dB.

        Infinite for a residual of zero.
        """
        power = sum(part.amplitude**2 for part in self.components) / 2
        if self.residual_rms == 0:
            return float("inf")
        return 10 * float(np.log10(power / self.residual_rms**2))

    def component(self, order: int) -> Component:
        """Return the first component of this order; KeyError when it was not fitted."""
        for part in self.components:
            if part.order == order:
                return part
        raise KeyError(order)


def fit_sine3(t_s: ArrayLike, v: ArrayLike, f_hz: float) -> SineFit | Invalid:
    """Three-parameter fit at a known frequency; times and samples (n,), n >= 4, uneven allowed."""
    return fit_tones(t_s, v, [Tone(f_hz)])


def fit_sine4(t_s: ArrayLike, v: ArrayLike, f_start_hz: float) -> SineFit | Invalid:
    """Four-parameter fit, frequency free, started at `f_start_hz` (within about half a bin)."""
    return fit_tones(t_s, v, [Tone(f_start_hz, free=True)])


def fit_tones(
    t_s: ArrayLike, v: ArrayLike, tones: Sequence[Tone], *, trend: bool = False
) -> SineFit | Invalid:
    """Fit an offset, with `trend` a slope too, and all components of all tones at once.

    Free frequencies are refused when they move further than one bin (1/record length) from
    their start or do not come to rest: then the start was wrong or the tone is not there.
    """
    count = 1 + trend + sum(2 * len(tone.orders) + tone.free for tone in tones)
    pair = checked_pair(t_s, v, minimum=count + 1)
    if isinstance(pair, Invalid):
        return pair
    times, samples = pair
    fault = _tones_fault(times, samples, tones)
    if fault is not None:
        return fault
    middle_s = float(times[0] + times[-1]) / 2
    centred = times - middle_s
    base = [np.ones_like(centred)] + ([centred] if trend else [])
    found = _iterate(centred, samples, tones, base)
    if isinstance(found, Invalid):
        return found
    frequencies, fit = found
    return _result(fit, tones, frequencies, middle_s, trend)


def _tones_fault(times: FloatArray, samples: FloatArray, tones: Sequence[Tone]) -> Invalid | None:
    if not tones or any(not tone.orders for tone in tones):
        return Invalid("no tone to fit")
    if any(list(tone.orders) != sorted(set(tone.orders)) for tone in tones):
        return Invalid("the orders of a tone do not ascend")
    span_s = float(times[-1] - times[0])
    for tone in tones:
        if not (np.isfinite(tone.f_hz) and tone.f_hz > 0) or min(tone.orders) < 1:
            return Invalid(f"{tone.f_hz} Hz is no frequency to fit")
        if tone.free and tone.f_hz * span_s < 0.5:
            return Invalid(f"the record holds less than half a period of {tone.f_hz:g} Hz")
    if is_flat(float(samples.min()), float(samples.max())):
        return Invalid("the record is flat, there is no sine in it")
    return None


def _design(
    times: FloatArray, tones: Sequence[Tone], frequencies: FloatArray, base: list[FloatArray]
) -> FloatArray:
    """Columns: offset (and time), then cos and sin of each order of each tone."""
    columns = list(base)
    for tone, f_hz in zip(tones, frequencies, strict=True):
        turn = np.exp(2j * np.pi * f_hz * times)
        power, reached = turn, 1
        for order in tone.orders:
            for _ in range(order - reached):
                power = power * turn
            reached = order
            columns += [power.real, power.imag]
    design: FloatArray = np.array(columns).T
    return design


def _slopes(
    times: FloatArray, design: FloatArray, coefficients: FloatArray, tones: Sequence[Tone]
) -> list[FloatArray]:
    """Give ∂y/∂f for every free tone: Σ 2πkt (B cos - A sin)."""
    columns = []
    at = coefficients.size - 2 * sum(len(tone.orders) for tone in tones)
    for tone in tones:
        slope = np.zeros_like(times)
        for order in tone.orders:
            a, b = coefficients[at], coefficients[at + 1]
            slope += 2 * np.pi * order * (b * design[:, at] - a * design[:, at + 1])
            at += 2
        if tone.free:
            columns.append(slope * times)
    return columns


def _iterate(
    times: FloatArray, samples: FloatArray, tones: Sequence[Tone], base: list[FloatArray]
) -> tuple[FloatArray, LinearFit] | Invalid:
    """Gauss-Newton on all coefficients and free frequencies together."""
    start_hz = np.array([tone.f_hz for tone in tones], dtype=np.float64)
    frequencies = start_hz.copy()
    linear = len(base) + 2 * sum(len(tone.orders) for tone in tones)
    free = np.array([tone.free for tone in tones])
    bin_hz = 1 / float(times[-1] - times[0])
    design = _design(times, tones, frequencies, base)
    fit = solve(design, samples)
    for _ in range(_STEPS_MAX):
        if isinstance(fit, Invalid) or not free.any():
            return fit if isinstance(fit, Invalid) else (frequencies, fit)
        slopes = _slopes(times, design, fit.coefficients[:linear], tones)
        fit = solve(np.vstack([design.T, *slopes]).T, samples)
        if isinstance(fit, Invalid):
            return fit
        step = fit.coefficients[linear:]
        u_step = np.sqrt(np.diag(fit.covariance)[linear:])
        if np.all(np.abs(step) <= np.maximum(1e-12 * frequencies[free], 1e-6 * u_step)):
            frequencies[free] += step
            return frequencies, fit
        frequencies[free] += np.clip(step, -bin_hz / 4, bin_hz / 4)
        if np.abs(frequencies - start_hz).max() > bin_hz:
            return Invalid("the fit ran away from its starting frequency: no such sine here")
        design = _design(times, tones, frequencies, base)
    return Invalid("the frequency did not come to rest")


def _result(
    fit: LinearFit, tones: Sequence[Tone], frequencies: FloatArray, middle_s: float, trend: bool
) -> SineFit:
    """Turn the centred coefficients back to t = 0 and attach the uncertainties."""
    components: list[Component] = []
    at = 1 + trend
    at_free = at + 2 * sum(len(tone.orders) for tone in tones)
    for tone, f_hz in zip(tones, frequencies, strict=True):
        for order in tone.orders:
            index = [at, at + 1, at_free] if tone.free else [at, at + 1]
            components.append(_component(fit, index, float(f_hz), order, middle_s))
            at += 2
        at_free += tone.free
    rss = fit.sum_of_squares
    slope = float(fit.coefficients[1]) if trend else 0.0
    u_slope = _root(float(fit.covariance[1, 1])) if trend else 0.0
    u_offset = np.hypot(_root(float(fit.covariance[0, 0])), u_slope * middle_s)
    return SineFit(
        offset=float(fit.coefficients[0]) - slope * middle_s,
        u_offset=float(u_offset),
        slope=slope,
        u_slope=u_slope,
        components=tuple(components),
        residual_rms=float(np.sqrt(rss / fit.residuals.size)),
        residual_sd=fit.residual_sd,
        lag1=dot(fit.residuals[1:], fit.residuals[:-1]) / rss if rss > 0 else 0.0,
        sum_of_squares=rss,
    )


def _root(variance: float) -> float:
    return float(np.sqrt(max(0.0, variance)))


def _component(
    fit: LinearFit, index: list[int], f_hz: float, order: int, middle_s: float
) -> Component:
    """`index` points at A, B and, with a free frequency, f among the coefficients."""
    free = len(index) == 3
    a, b = fit.coefficients[index[:2]]
    amplitude = float(np.hypot(a, b))
    covariance = fit.covariance[np.ix_(index, index)]
    u_f_hz = float(np.sqrt(covariance[2, 2])) if free else 0.0
    turned_back = 2 * np.pi * order * f_hz * middle_s
    phase = float(np.arctan2(-b, a)) - turned_back
    phase = float(np.angle(np.exp(1j * phase)))
    if amplitude > 0:
        along = np.array([a, b]) / amplitude
        across = np.array([b, -a]) / amplitude**2  # ∂phase/∂(a, b)
        if free:
            across = np.append(across, -2 * np.pi * order * middle_s)
        u_amplitude = _root(float(along @ covariance[:2, :2] @ along))
        u_phase = _root(float(across @ covariance @ across))
    else:
        u_amplitude, u_phase = float(np.sqrt(covariance[0, 0])), float(np.pi)
    return Component(
        f_hz=order * f_hz,
        u_f_hz=order * u_f_hz,
        order=order,
        a=amplitude * float(np.cos(phase)),
        b=-amplitude * float(np.sin(phase)),
        amplitude=amplitude,
        u_amplitude=u_amplitude,
        phase_rad=phase,
        u_phase_rad=u_phase,
    )
