"""Sine fits: known frequency, free frequency, harmonics of one fundamental, several tones.

All are one model, y(t) = C + Σ_tones Σ_orders [A cos(2π k f t) + B sin(2π k f t)], solved by
Gauss-Newton. With one tone it is the three-parameter (frequency fixed) and four-parameter
(frequency free) method of IEEE 1057 / IEEE 1241.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.linear import LinearFit, solve
from runner.signals.samples import FloatArray, Invalid, checked_pair, is_flat

__all__ = ["Component", "SineFit", "Tone", "fit_sine3", "fit_sine4", "fit_tones"]

_STEPS_MAX = 60


@dataclass(frozen=True)
class Tone:
    """What to fit: a fundamental, which multiples of it, and whether its frequency is free."""

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
    """Result: offset C, the components, and what is left.

    `residual_rms` divides by the number of samples M (IEEE 1057); `residual_sd` by M - p.
    `lag1` is the residual's lag-1 autocorrelation: far from zero, the uncertainties, which
    take the residual for white, are too small (positive) or too large (negative).
    """

    offset: float
    u_offset: float
    components: tuple[Component, ...]
    residual_rms: float
    residual_sd: float
    lag1: float
    sum_of_squares: float

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


def fit_tones(t_s: ArrayLike, v: ArrayLike, tones: Sequence[Tone]) -> SineFit | Invalid:
    """Fit an offset and all components of all tones at once.

    Free frequencies are refused when they move further than one bin (1/record length) from
    their start or do not come to rest: then the start was wrong or the tone is not there.
    """
    count = 1 + sum(2 * len(tone.orders) + tone.free for tone in tones)
    pair = checked_pair(t_s, v, minimum=count + 1)
    if isinstance(pair, Invalid):
        return pair
    times, samples = pair
    fault = _tones_fault(times, samples, tones)
    if fault is not None:
        return fault
    middle_s = float(times[0] + times[-1]) / 2
    centred = times - middle_s
    found = _iterate(centred, samples, tones)
    if isinstance(found, Invalid):
        return found
    frequencies, fit = found
    return _result(fit, tones, frequencies, middle_s, samples.size)


def _tones_fault(times: FloatArray, samples: FloatArray, tones: Sequence[Tone]) -> Invalid | None:
    if not tones or any(not tone.orders for tone in tones):
        return Invalid("no tone to fit")
    span_s = float(times[-1] - times[0])
    for tone in tones:
        if not (np.isfinite(tone.f_hz) and tone.f_hz > 0) or min(tone.orders) < 1:
            return Invalid(f"{tone.f_hz} Hz is no frequency to fit")
        if tone.free and tone.f_hz * span_s < 0.5:
            return Invalid(f"the record holds less than half a period of {tone.f_hz:g} Hz")
    if is_flat(float(samples.min()), float(samples.max())):
        return Invalid("the record is flat, there is no sine in it")
    return None


def _design(times: FloatArray, tones: Sequence[Tone], frequencies: FloatArray) -> FloatArray:
    """Columns: offset, then cos and sin of each order of each tone."""
    columns = [np.ones_like(times)]
    for tone, f_hz in zip(tones, frequencies, strict=True):
        turn = np.exp(2j * np.pi * f_hz * times)
        for order in tone.orders:
            power = turn if order == 1 else turn**order
            columns += [power.real, power.imag]
    return np.stack(columns, axis=1)


def _slopes(
    times: FloatArray, design: FloatArray, coefficients: FloatArray, tones: Sequence[Tone]
) -> list[FloatArray]:
    """Give ∂y/∂f for every free tone: Σ 2πkt (B cos - A sin)."""
    columns, at = [], 1
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
    times: FloatArray, samples: FloatArray, tones: Sequence[Tone]
) -> tuple[FloatArray, LinearFit] | Invalid:
    """Gauss-Newton on the frequencies, the linear part solved afresh in every step."""
    frequencies = np.array([tone.f_hz for tone in tones], dtype=np.float64)
    free = np.array([tone.free for tone in tones])
    bin_hz = 1 / float(times[-1] - times[0])
    for _ in range(_STEPS_MAX):
        design = _design(times, tones, frequencies)
        fit = solve(design, samples)
        if isinstance(fit, Invalid) or not free.any():
            return fit if isinstance(fit, Invalid) else (frequencies, fit)
        slopes = _slopes(times, design, fit.coefficients, tones)
        full = solve(np.column_stack([design, *slopes]), samples)
        if isinstance(full, Invalid):
            return full
        step = full.coefficients[design.shape[1] :]
        frequencies[free] += np.clip(step, -bin_hz / 4, bin_hz / 4)
        if np.abs(frequencies - [tone.f_hz for tone in tones]).max() > bin_hz:
            return Invalid("the fit ran away from its starting frequency: no such sine here")
        u_step = np.sqrt(np.diag(full.covariance)[design.shape[1] :])
        if np.all(np.abs(step) <= np.maximum(1e-12 * frequencies[free], 1e-9 * u_step)):
            return frequencies, full
    return Invalid("the frequency did not come to rest")


def _result(
    fit: LinearFit, tones: Sequence[Tone], frequencies: FloatArray, middle_s: float, m: int
) -> SineFit:
    """Turn the centred coefficients back to t = 0 and attach the uncertainties."""
    components: list[Component] = []
    linear = 1 + 2 * sum(len(tone.orders) for tone in tones)
    at, at_free = 1, linear
    for tone, f_hz in zip(tones, frequencies, strict=True):
        for order in tone.orders:
            index = [at, at + 1, at_free] if tone.free else [at, at + 1]
            components.append(_component(fit, index, float(f_hz), order, middle_s))
            at += 2
        at_free += tone.free
    rss = fit.sum_of_squares
    lag1 = float(fit.residuals[1:] @ fit.residuals[:-1]) / rss if rss > 0 else 0.0
    return SineFit(
        offset=float(fit.coefficients[0]),
        u_offset=float(np.sqrt(fit.covariance[0, 0])),
        components=tuple(components),
        residual_rms=float(np.sqrt(rss / m)),
        residual_sd=fit.residual_sd,
        lag1=lag1,
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
