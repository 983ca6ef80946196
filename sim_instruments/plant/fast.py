"""What happens at the terminals faster than the circuit's grid: load edges and clicks.

The loop and the output capacitor form a parallel resonance Z(s) = (s/C)/(s² + 2ζω·s + ω²),
ω = 1/√(L·C): a current step I answers as -I·√(L/C)·exp(-ζωt)·sin(ω_d t)/√(1-ζ²).
A step that takes t_rise is the mean of steps spread over it, which needs the integral of
that answer, also in closed form. The capacitor's ESR adds a short pulse of I·ESR and the
load lead (or the post) adds L·dI/dt while the current moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim_instruments.plant.parts import Regulator
from sim_instruments.plant.stepping import Floats

__all__ = ["Click", "LoadEdge", "Ringing", "periodic_edges", "ringing_of"]


@dataclass(frozen=True, slots=True)
class Ringing:
    """Closed-loop output resonance: rad/s, damping, peak-impedance scale in ohms, ESR."""

    omega: float
    zeta: float
    z0_ohm: float
    esr_ohm: float

    @property
    def lasts_s(self) -> float:
        """How long an answer stays above 1e-5 of its size."""
        return 12.0 / (self.omega * min(max(self.zeta, 0.02), 0.99))

    def step(self, t_s: Floats) -> Floats:
        """Volts after a unit current step at 0 (sign: positive)."""
        wd = self.omega * math.sqrt(1.0 - self.zeta**2)
        t = np.maximum(t_s, 0.0)
        ring = self.z0_ohm * np.exp(-self.zeta * self.omega * t) * np.sin(wd * t)
        ring /= math.sqrt(1.0 - self.zeta**2)
        return ring + self.esr_ohm * np.exp(-2.0 * self.omega * t) * (t_s >= 0.0)

    def ramp(self, t_s: Floats) -> Floats:
        """Integral of `step` from 0 to t, in V·s per ampere."""
        a, w = self.zeta * self.omega, self.omega
        wd = w * math.sqrt(1.0 - self.zeta**2)
        t = np.maximum(t_s, 0.0)
        body = wd - np.exp(-a * t) * (a * np.sin(wd * t) + wd * np.cos(wd * t))
        ring = self.z0_ohm / math.sqrt(1.0 - self.zeta**2) * body / (w * w)
        return ring + self.esr_ohm * (1.0 - np.exp(-2.0 * w * t)) / (2.0 * w)

    def answer(self, dt_s: Floats, rise_s: float) -> Floats:
        """Volts after a unit step that rises linearly over rise_s."""
        if rise_s < 1e-9:
            return self.step(dt_s)
        return (self.ramp(dt_s) - self.ramp(dt_s - rise_s)) / rise_s


def ringing_of(regulator: Regulator) -> Ringing:
    """Resonance of this regulator with its output capacitor as it is now."""
    c = max(regulator.c_out_f, 1e-9)
    w = 1.0 / math.sqrt(regulator.loop.l_h * c)
    zeta = min(max(regulator.loop.damping, 0.02), 0.97)
    return Ringing(w, zeta, math.sqrt(regulator.loop.l_h / c), regulator.c_out_esr_ohm)


@dataclass(frozen=True, slots=True)
class LoadEdge:
    """The load current moved by `amperes` within rise_s from t0; plain or repeated."""

    t0_s: float
    amperes: float
    rise_s: float
    ringing: Ringing
    l_lead_h: float

    @property
    def lasts_s(self) -> float:
        """How long it is felt."""
        return self.rise_s + self.ringing.lasts_s

    def volts(self, t_s: Floats) -> Floats:
        """Deviation of the output, shape as t."""
        dt = t_s - self.t0_s
        v = -self.amperes * self.ringing.answer(dt, self.rise_s)
        if self.rise_s > 0.0:
            moving = (dt >= 0.0) & (dt < self.rise_s)
            v = v - np.where(moving, self.l_lead_h * self.amperes / self.rise_s, 0.0)
        return v * (dt >= 0.0)

    def lag_a(self, t_s: Floats) -> Floats:
        """Current still missing while it rises (to be added to the new level)."""
        dt = t_s - self.t0_s
        if self.rise_s <= 0.0:
            return np.zeros(t_s.shape)
        part = np.clip(dt / self.rise_s, 0.0, 1.0)
        return np.where(dt >= 0.0, -self.amperes * (1.0 - part), 0.0)


@dataclass(frozen=True, slots=True)
class Click:
    """A contact or switch that couples a short pulse into the output."""

    t0_s: float
    volts_peak: float
    tau_s: float

    @property
    def lasts_s(self) -> float:
        """How long it is felt."""
        return 15.0 * self.tau_s

    def volts(self, t_s: Floats) -> Floats:
        """Deviation of the output, shape as t."""
        dt = t_s - self.t0_s
        late = np.maximum(dt, 0.0) / self.tau_s
        wave = self.volts_peak * np.exp(-late) * np.cos(2.0 * np.pi * late)
        return np.where(dt >= 0.0, wave, 0.0)

    def lag_a(self, t_s: Floats) -> Floats:
        """No current goes with it."""
        return np.zeros(t_s.shape)


def periodic_edges(
    t_s: Floats, t0_s: float, f_hz: float, duty: float, step_a: float, rise_s: float, r: Ringing,
    l_lead_h: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Answer to a current that has gone to and fro for long: (volts, amperes about its mean).

    The edges of the last few periods are summed; older ones have died away.
    """
    period = 1.0 / f_hz
    dt = t_s - t0_s
    inside = dt % period
    volts, amps = np.zeros(t_s.shape), np.zeros(t_s.shape)
    back = min(int(r.lasts_s / period) + 2, 60)
    for n in range(back):
        for at, sign in ((0.0, 1.0), (duty * period, -1.0)):
            edge = LoadEdge(at - n * period, sign * step_a, rise_s, r, l_lead_h)
            volts += edge.volts(inside)
            if n == 0:
                part = np.clip((inside - at) / max(rise_s, 1e-12), 0.0, 1.0)
                amps += sign * step_a * np.where(inside >= at, part, 0.0)
    return volts, amps - step_a * duty
