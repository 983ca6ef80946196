"""Voltages between nodes: circuit waves, fast answers, ripple of a switcher, noise, earth."""

from __future__ import annotations

import math

import numpy as np

from sim_instruments.plant.engine import SLOW_DYNAMIC_HZ, Engine
from sim_instruments.plant.fast import LoadEdge, periodic_edges, ringing_of
from sim_instruments.plant.noise import gauss_at
from sim_instruments.plant.stepping import Floats

__all__ = ["Probe"]

NOISE_RATE_HZ = 40e6
SILENT_BELOW_V = 0.05  # switched off, a regulator makes no noise
SEARCH_STEP_S = 20e-6


class Probe:
    """Reads an engine's history. Times in seconds, volts out."""

    def __init__(self, engine: Engine, seed: int) -> None:
        self._e = engine
        self._seed = seed

    # ---- nodes against minus --------------------------------------------------------

    def _node(self, node: str, t: Floats) -> Floats:
        """Voltage of a node against minus at times."""
        if node == "minus":
            return np.zeros(t.shape)
        if node == "plus":
            return self._e.history.values("out", t) + self._fast(t)
        if node == "raw":
            return self._e.history.values("raw", t)
        if node == "earth":
            return -self._minus_to_earth(t)
        if node.startswith("coil"):
            k = int(node[4:]) - 1
            out = np.zeros(t.shape)
            for s, inside in self._e.history.split(t):
                out[inside] = s.coils_v[k] if k < len(s.coils_v) else 0.0
            return out
        raise ValueError(f"the plant has no node {node!r}")

    def _minus_to_earth(self, t: Floats) -> Floats:
        out = np.zeros(t.shape)
        for s, inside in self._e.history.split(t):
            dt = np.clip(t[inside], s.t0_s, s.t1_s) - s.t0_s
            a = s.afloat
            phase = s.phase0 + dt * s.line.f_hz + a.ac_phase
            out[inside] = a.at(dt) + math.sqrt(2.0) * a.ac_v_rms * np.sin(2.0 * np.pi * phase)
            if a.jitter_v > 0.0:
                out[inside] += a.jitter_v * gauss_at(t[inside], 200.0, self._seed, 3)
        return out

    # ---- what the grid does not hold ------------------------------------------------

    def _fast(self, t: Floats) -> Floats:
        v = np.zeros(t.shape)
        if t.size == 0:
            return v
        lo, hi = float(t.min()), float(t.max())
        for kick in self._e.kicks:
            if kick.t0_s <= hi and kick.t0_s + kick.lasts_s >= lo:
                v += kick.volts(t)
        v += self._dynamic(t)[0]
        reg = self._e.parts.regulator
        noise_v = reg.noise_v * gauss_at(t, NOISE_RATE_HZ, self._seed, 1)
        noise_v += 0.15 * reg.noise_v * gauss_at(t, 20.0, self._seed, 2)
        v += np.where(self._e.history.values("out", t) > SILENT_BELOW_V, noise_v, 0.0)
        if reg.loop.damping < 0.0 and reg.loop.limit_cycle_v > 0.0:
            v += self._oscillation(t)
        if self._e.parts.switcher is not None:
            v += self._switching(t)
        return v

    def _dynamic(self, t: Floats) -> tuple[Floats, Floats]:
        load = self._e.settings.load
        fast = load.is_dynamic and load.frequency_hz > SLOW_DYNAMIC_HZ
        if not fast or load.level_b is None or self._e.state.mode != 1:
            return np.zeros(t.shape), np.zeros(t.shape)
        step = load.level - load.level_b
        rise = min(abs(step) / load.slew_a_per_s, 0.4 / load.frequency_hz)
        reg = self._e.parts.regulator
        volts, amps = periodic_edges(
            t, self._e.load_since_s, load.frequency_hz, load.duty, step, rise,
            ringing_of(reg), load.l_lead_h,
        )  # fmt: skip
        since = t >= self._e.load_since_s
        static = (reg.r_out_ohm + reg.sense_lead_ohm) * amps
        return (volts - static) * since, amps * since

    def _oscillation(self, t: Floats) -> Floats:
        loop = self._e.parts.regulator.loop
        on = self._e.history.values("load", t) >= loop.limit_cycle_from_a
        on &= self._e.history.values("out", t) > 0.05
        wave = np.sin(2.0 * np.pi * loop.limit_cycle_hz * t)
        return np.asarray(loop.limit_cycle_v * on * (wave + 0.1), dtype=np.float64)

    def _switching(self, t: Floats) -> Floats:
        sw = self._e.parts.switcher
        if sw is None:
            return np.zeros(t.shape)
        part = (t * sw.f_hz) % 1.0
        on = self._e.history.values("out", t) > 0.05
        saw = np.where(part < 0.4, part / 0.4, (1.0 - part) / 0.6) - 0.5
        late = np.where(part < 0.4, part, part - 0.4) / sw.f_hz
        ring = np.exp(-late / sw.spike_tau_s) * np.sin(2.0 * np.pi * sw.spike_hz * late)
        return np.asarray(on * (sw.ripple_pp_v * saw + sw.spike_v * ring), dtype=np.float64)

    # ---- questions ------------------------------------------------------------------

    def samples_v(self, a: str, b: str, t: Floats) -> Floats:
        """Voltage a against b at times."""
        return self._node(a, t) - self._node(b, t)

    def samples_load_a(self, t: Floats) -> Floats:
        """Load current at times."""
        i = self._e.history.values("load", t)
        if t.size:
            for kick in self._e.kicks:
                if isinstance(kick, LoadEdge) and kick.t0_s <= float(t.max()):
                    i = i + kick.lag_a(t)
            i = i + self._dynamic(t)[1]
        return i

    def _mean_node(self, node: str, t0: float, t1: float) -> float:
        h = self._e.history
        if node == "minus":
            return 0.0
        if node == "raw":
            return h.mean("raw", t0, t1)
        if node == "plus":
            reg = self._e.parts.regulator
            mid = np.array([0.5 * (t0 + t1)])
            still = float(gauss_at(mid, 1e4, self._seed, 4)[0])
            span = max(t1 - t0, 1e-9)
            v = h.mean("out", t0, t1) + still * reg.noise_v * math.sqrt(
                min(1.0 / (NOISE_RATE_HZ * span) + 0.0225 * min(1.0 / (20.0 * span), 1.0), 1.0)
            )
            if reg.loop.damping < 0.0 and reg.loop.limit_cycle_v > 0.0:
                v += (
                    0.1
                    * reg.loop.limit_cycle_v
                    * (h.mean("load", t0, t1) >= reg.loop.limit_cycle_from_a)
                )
            return v
        if node == "earth" and t1 - t0 >= 0.019:
            return -self._earth_mean(t0, t1)
        return float(np.mean(self._node(node, np.linspace(t0, t1, 400))))

    def _earth_mean(self, t0: float, t1: float) -> float:
        h = self._e.history
        slow = h.afloat_mean(t0, t1)
        s = h.find(0.5 * (t0 + t1))
        a, f = s.afloat, s.line.f_hz
        p0 = 2.0 * math.pi * (s.phase0 + (t0 - s.t0_s) * f + a.ac_phase)
        p1 = p0 + 2.0 * math.pi * f * (t1 - t0)
        sine = math.sqrt(2.0) * a.ac_v_rms * (math.cos(p0) - math.cos(p1)) / (p1 - p0)
        jitter = float(gauss_at(np.array([t1]), 1e4, self._seed, 5)[0]) * a.jitter_v
        return slow + sine + jitter * math.sqrt(min(1.0 / (200.0 * (t1 - t0)), 1.0))

    def mean_v(self, a: str, b: str, t0: float, t1: float) -> float:
        """Mean of a against b."""
        if t1 <= t0:
            return float(self.samples_v(a, b, np.array([t1]))[0])
        return self._mean_node(a, t0, t1) - self._mean_node(b, t0, t1)

    def rms_ac_v(self, a: str, b: str, t0: float, t1: float) -> float:
        """Rms about the mean, from evenly spread samples (20 µs apart, 8 192 at most)."""
        n = min(max(int((t1 - t0) / 20e-6), 64), 8192)
        v = self.samples_v(a, b, t0 + (np.arange(n) + 0.5) * (t1 - t0) / n)
        return float(np.std(v))

    def min_max_v(self, a: str, b: str, edges: Floats) -> Floats:
        """Lowest and highest between neighbouring edges, from 16 samples in each."""
        n = 16
        width = np.diff(edges)
        t = edges[:-1, None] + (np.arange(n) + 0.5)[None, :] * width[:, None] / n
        v = self.samples_v(a, b, t.ravel()).reshape(t.shape)
        return np.stack([v.min(axis=1), v.max(axis=1)], axis=1)

    def find_event(
        self, a: str, b: str, after: float, until: float, level: float, slope: str,
        window: float | None,
    ) -> float | None:  # fmt: skip
        """First crossing of the level (or leaving of the window) in a span."""
        chunk = 0.1
        t0 = after
        while t0 < until:
            t1 = min(t0 + chunk, until)
            n = max(int((t1 - t0) / SEARCH_STEP_S), 2)
            t = np.linspace(t0, t1, n + 1)
            extra = [
                k.t0_s + np.arange(400) * (min(k.lasts_s, 2e-3) / 400)
                for k in self._e.kicks
                if t0 <= k.t0_s <= t1
            ]
            if extra:
                t = np.unique(np.concatenate([t, *extra]))
                t = t[(t >= t0) & (t <= t1)]
            v = self.samples_v(a, b, t) - level
            if window is not None:
                hit = np.abs(v) > window
            else:
                up = (v[:-1] < 0.0) & (v[1:] >= 0.0)
                down = (v[:-1] > 0.0) & (v[1:] <= 0.0)
                both = {"rising": up, "falling": down}.get(slope, up | down)
                hit = np.concatenate([[False], both])
            found = np.flatnonzero(hit)
            if found.size:
                return float(t[found[0]])
            t0 = t1
        return None
