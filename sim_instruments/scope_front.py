"""The scope's analogue side and its converter: from node voltages to codes.

Probe (factor, bandwidth), coupling (dc, ac, ground), bandwidth limit, gain and offset errors, noise
by range, then 8 or 12 bits with clipping.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim_instruments.site import Leads, Site

__all__ = [
    "AC_CORNER_HZ",
    "FULL_BANDWIDTH_HZ",
    "ChannelSetting",
    "ChannelTruth",
    "Front",
    "ProbeOnUnit",
]

Floats = NDArray[np.float64]

FULL_BANDWIDTH_HZ = 100e6
LIMITED_BANDWIDTH_HZ = 20e6
AC_CORNER_HZ = 5.0
DIVISIONS = 8
_FLOOR_V = 120e-6  # rms at the input over the full bandwidth
_OF_DIVISION = 0.006  # rms, of the volts per division at the input
_CHUNK = 1 << 20
_FASTEST_HZ = 1e9


@dataclass
class ProbeOnUnit:
    """What joins a channel to the unit: leads, real division factor, bandwidth."""

    leads: Leads = field(default_factory=Leads)
    factor: float = 1.0
    bandwidth_hz: float = 1e9


@dataclass
class ChannelTruth:
    """Real errors of a channel; `noise` scales the noise, `probe_gain` is the probe's own."""

    gain: float = 0.0
    offset_div: float = 0.0
    offset_v: float = 0.0
    probe_gain: float = 0.0
    noise: float = 1.0


@dataclass(frozen=True)
class ChannelSetting:
    """Settings of a channel at the moment of a capture; volts at the probe tip."""

    coupling: str
    bandwidth_hz: float
    probe: float
    scale_v: float
    offset_v: float

    @property
    def full_v(self) -> float:
        """Volts over the whole screen."""
        return DIVISIONS * self.scale_v


class Front:
    """One channel."""

    def __init__(
        self,
        site: Site,
        probe: ProbeOnUnit,
        truth: ChannelTruth,
        random: np.random.Generator,
        bits: int,
    ) -> None:
        self.site, self.probe, self.truth, self.random, self.bits = site, probe, truth, random, bits

    def noise_rms_v(self, setting: ChannelSetting, averaged: float = 1.0) -> float:
        """Own noise at the probe tip; `averaged` is how many raw samples one value stands for."""
        at_input = math.hypot(_FLOOR_V, _OF_DIVISION * setting.scale_v / setting.probe)
        share = min(setting.bandwidth_hz, FULL_BANDWIDTH_HZ) / FULL_BANDWIDTH_HZ
        return at_input * math.sqrt(share / averaged) * setting.probe * self.truth.noise

    def volts(
        self, setting: ChannelSetting, start_s: float, step_s: float, points: int, part: int = 1
    ) -> Floats:
        """What reaches the converter, as volts at the tip; `part` sub-samples averaged in each."""
        if not self.probe.leads.on or setting.coupling == "GND":
            signal = np.zeros(points)
        else:
            signal = self._signal(setting, start_s, step_s, points, part)
            signal *= (1 + self.truth.probe_gain) * (setting.probe / self.probe.factor)
        averaged = min(step_s * _FASTEST_HZ, 256.0) if part > 1 else 1.0
        return self._finish(setting, signal, averaged)

    def extremes(
        self, setting: ChannelSetting, start_s: float, step_s: float, steps: int
    ) -> Floats:
        """Pairs lowest, highest of each step, one after the other (length twice the steps)."""
        if not self.probe.leads.on or setting.coupling == "GND":
            pairs = np.zeros((steps, 2))
        else:
            hi, lo = self.probe.leads.hi, self.probe.leads.lo
            edges = start_s + np.arange(steps + 1, dtype=np.float64) * step_s
            pairs = np.array(self.site.min_max_v(hi, lo, edges), dtype=np.float64)
            if setting.coupling == "AC":
                pairs -= self._held_v(start_s, step_s, pairs.mean(axis=1))[:, None]
            pairs *= (1 + self.truth.probe_gain) * (setting.probe / self.probe.factor)
        spread = math.sqrt(2 * math.log(max(2.0, min(step_s * _FASTEST_HZ, 1e6))))
        pairs += np.array([-spread, spread]) * 0.8 * self.noise_rms_v(setting)
        return self._finish(setting, pairs.ravel(), 16.0)

    def codes(
        self, setting: ChannelSetting, volts: Floats, averages: int = 1
    ) -> NDArray[np.uint16]:
        """Convert to 16-bit codes; averaging leaves more than the converter's own steps."""
        levels = (1 << self.bits) * averages
        step_v = setting.full_v / levels
        raw = np.rint((volts - setting.offset_v) / step_v) + levels / 2
        np.clip(raw, 0, levels - averages, out=raw)
        return (raw * (65536 / levels)).astype(np.uint16)

    # --- inside

    def _finish(self, setting: ChannelSetting, signal: Floats, averaged: float) -> Floats:
        truth = self.truth
        signal *= 1 + truth.gain
        signal += truth.offset_div * setting.scale_v + truth.offset_v * setting.probe
        rms = self.noise_rms_v(setting, averaged)
        if rms:
            signal += self.random.standard_normal(signal.size, dtype=np.float32) * rms
        return signal

    def _signal(
        self, setting: ChannelSetting, start_s: float, step_s: float, points: int, part: int
    ) -> Floats:
        tau_s = 1 / (2 * math.pi * self._bandwidth_hz(setting))
        warm = int(min(8 * tau_s / step_s, 1000)) + 1 if step_s < 3 * tau_s else 0
        signal = self._sampled(start_s - warm * step_s, step_s, points + warm, part)
        if warm:
            signal = _low_pass(signal, step_s / tau_s, float(signal[0]))[warm:]
        if setting.coupling == "AC":
            signal -= self._held_v(start_s, step_s, signal)
        return signal

    def _bandwidth_hz(self, setting: ChannelSetting) -> float:
        return 1 / math.hypot(1 / setting.bandwidth_hz, 1 / self.probe.bandwidth_hz)

    def _sampled(self, start_s: float, step_s: float, points: int, part: int) -> Floats:
        hi, lo = self.probe.leads.hi, self.probe.leads.lo
        out = np.empty(points)
        size = max(1, _CHUNK // part)
        for at in range(0, points, size):
            count = min(size, points - at)
            times = start_s + (at + np.arange(count * part) / part) * step_s
            np.maximum(times, 0.0, out=times)
            values = self.site.samples_v(hi, lo, times)
            out[at : at + count] = values if part == 1 else values.reshape(count, part).mean(axis=1)
        return out

    def _held_v(self, start_s: float, step_s: float, signal: Floats) -> Floats:
        """Voltage on the coupling capacitor during the record."""
        tau_s = 1 / (2 * math.pi * AC_CORNER_HZ)
        held_v = self._history_v(start_s, tau_s)
        return _low_pass(signal, step_s / tau_s, held_v)

    def _history_v(self, start_s: float, tau_s: float) -> float:
        """Voltage on the coupling capacitor at the start, from the ten time constants before."""
        hi, lo = self.probe.leads.hi, self.probe.leads.lo
        bins = 40
        step_s = 10 * tau_s / bins
        total = weights = 0.0
        for n in range(bins):
            end_s = start_s - n * step_s
            if end_s - step_s < 0:
                break
            weight = math.exp(-n * step_s / tau_s)
            total += weight * self.site.mean_v(hi, lo, end_s - step_s, end_s)
            weights += weight
        if weights:
            return total / weights
        return float(self.site.samples_v(hi, lo, np.array([max(0.0, start_s)]))[0])


def _low_pass(signal: Floats, steps_per_tau: float, first: float) -> Floats:
    """First-order low pass that stands at `first` before the record."""
    from scipy.signal import lfilter

    keep = math.exp(-steps_per_tau)
    out, _ = lfilter([1 - keep], [1.0, -keep], signal, zi=[keep * first])
    return np.asarray(out, dtype=np.float64)
