"""The primary side: current, power and true rms at the unit's inlet.

The reflected secondary current is n·i_s. A transformer passes no direct current: when the
secondary current has a mean value (one diode open) the core is driven into saturation
around one flux peak, and the magnetising current's mean is -n·mean(i_s), so that the
primary current has none. Flux peaks lie at the zero crossings of the voltage, so these
pulses carry next to no power.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim_instruments.plant.circuit import GRID
from sim_instruments.plant.history import History, Line, Moving, Steady
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.settings import Inlet
from sim_instruments.plant.stepping import Floats

__all__ = ["InletSums", "cycle_sums", "inlet_between", "inlet_sums", "line_wave", "primary_wave"]


@dataclass(frozen=True, slots=True)
class InletSums:
    """Time integrals and extremes over a span; add spans with `plus`."""

    span_s: float = 0.0
    v2: float = 0.0
    i2: float = 0.0
    p_j: float = 0.0
    i_c: float = 0.0
    i_max: float = 0.0
    i_min: float = 0.0
    phase: float = 0.0

    def plus(self, other: InletSums, share: float = 1.0) -> InletSums:
        """Both spans together; `share` of the other one."""
        return InletSums(
            self.span_s + share * other.span_s,
            self.v2 + share * other.v2,
            self.i2 + share * other.i2,
            self.p_j + share * other.p_j,
            self.i_c + share * other.i_c,
            max(self.i_max, other.i_max),
            min(self.i_min, other.i_min),
            self.phase + share * other.phase,
        )


def line_wave(line: Line, phase: Floats) -> Floats:
    """Source voltage at phases in cycles, volts, shape as phase."""
    if not line.on:
        return np.zeros(phase.shape)
    a = 2.0 * np.pi * phase
    v = np.sin(a) + line.third * np.sin(3.0 * a) + line.fifth * np.sin(5.0 * a)
    norm = np.sqrt(2.0 / (1.0 + line.third**2 + line.fifth**2))
    return np.asarray(line.v_rms * norm * v, dtype=np.float64)


def primary_wave(
    parts: Parts, line: Line, phase: Floats, i_rect: Floats, mean_rect: float
) -> tuple[Floats, Floats]:
    """Voltage and current at the inlet, shapes as phase (cycles)."""
    reflected = line.ratio * i_rect
    v = line_wave(line, phase) - line.source_ohm * reflected
    if not line.on:
        return v, np.zeros(phase.shape)
    tr = parts.transformer
    a = 2.0 * np.pi * phase
    i = reflected + v * (tr.core_w + tr.aux_w) / tr.v_nominal**2
    if parts.switcher is None:
        i = i - np.sqrt(2.0) * tr.magnetising_a * np.cos(a) * (line.v_rms / tr.v_nominal)
        dc = line.ratio * mean_rect
        if dc != 0.0:
            bump = np.maximum(np.sign(dc) * np.cos(a), 0.0) ** 8
            i = i - dc * bump / BUMP_MEAN
    return v, i


# Mean over a cycle of max(cos, 0)^8 = (1/2)·(7·5·3·1)/(8·6·4·2)
BUMP_MEAN = 0.5 * 105.0 / 384.0


def inlet_sums(
    parts: Parts, line: Line, t_s: Floats, phase: Floats, i_rect: Floats, mean_rect: float
) -> InletSums:
    """Integrals over the span of t (trapezoidal rule)."""
    v, i = primary_wave(parts, line, phase, i_rect, mean_rect)
    span = float(t_s[-1] - t_s[0])
    return InletSums(
        span_s=span,
        v2=float(np.trapezoid(v * v, t_s)),
        i2=float(np.trapezoid(i * i, t_s)),
        p_j=float(np.trapezoid(v * i, t_s)),
        i_c=float(np.trapezoid(i, t_s)),
        i_max=float(i.max()),
        i_min=float(i.min()),
        phase=float(phase[-1] - phase[0]),
    )


def cycle_sums(parts: Parts, line: Line, i_rect: Floats) -> InletSums:
    """Integrals over one whole steady cycle; i_rect has shape (GRID + 1,)."""
    phase = np.arange(GRID + 1) / GRID
    mean = float(np.trapezoid(i_rect, phase))
    return inlet_sums(parts, line, phase / line.f_hz, phase, i_rect, mean)


def _steady_part(parts: Parts, s: Steady, lo: float, hi: float) -> InletSums:
    """Whole cycles at once, the rest of the span from the wave."""
    key = ("inlet", s.line)
    whole = s.cycle.notes.get(key)
    if not isinstance(whole, InletSums):
        whole = cycle_sums(parts, s.line, s.cycle.waves[2])
        s.cycle.notes[key] = whole
    count = math.floor((hi - lo) * s.line.f_hz + 1e-9)
    total = InletSums().plus(whole, count) if count else InletSums()
    lo += count / s.line.f_hz
    if hi - lo < 1e-7:
        return total
    t = np.linspace(lo, hi, max(int((hi - lo) * s.line.f_hz * GRID), 2) + 1)
    phase = s.phase0 + (t - s.t0_s) * s.line.f_hz
    mean = s.cycle.mean("rect")
    return total.plus(inlet_sums(parts, s.line, t, phase, s.values("rect", t), mean))


def _moving_part(parts: Parts, s: Moving, lo: float, hi: float) -> InletSums:
    inside = (s.t_s > lo) & (s.t_s < hi)
    t = np.concatenate([[lo], s.t_s[inside], [hi]])
    phase = s.phase0 + (t - s.t0_s) * s.line.f_hz
    rect = s.values("rect", t)
    lopsided = parts.rectifier.conducts_pos != parts.rectifier.conducts_neg
    whole = hi - lo > 0.999 / s.line.f_hz
    mean = float(np.mean(rect)) if lopsided and whole else 0.0  # flux needs cycles to shift
    return inlet_sums(parts, s.line, t, phase, rect, mean)


def inlet_between(parts: Parts, history: History, t0_s: float, t1_s: float) -> Inlet:
    """What a mains meter at the inlet reads over a span."""
    total = InletSums()
    for s in history.between(t0_s, t1_s):
        lo, hi = max(t0_s, s.t0_s), min(t1_s, s.t1_s)
        if hi <= lo:
            continue
        if isinstance(s, Steady):
            total = total.plus(_steady_part(parts, s, lo, hi))
        elif isinstance(s, Moving):
            total = total.plus(_moving_part(parts, s, lo, hi))
    span = max(total.span_s, 1e-12)
    v, i = math.sqrt(total.v2 / span), math.sqrt(total.i2 / span)
    return Inlet(
        v_rms=v,
        i_rms=i,
        p_w=total.p_j / span,
        s_va=v * i,
        f_hz=total.phase / span if v > 1.0 else 0.0,
        i_dc_a=total.i_c / span,
        i_peak_pos_a=total.i_max,
        i_peak_neg_a=total.i_min,
    )
