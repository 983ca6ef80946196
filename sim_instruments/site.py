"""The unit as the bench touches it: the plant, with what only instruments ask of it."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.clock import Clock
from sim_instruments.plant.noise import gauss_at
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.plant import Plant

__all__ = ["Leads", "Site"]

Floats = NDArray[np.float64]

_REMEMBERED = 200
_NOISE_RATE_HZ = 2e6
_NOISE_STREAM = 4711


@dataclass
class Leads:
    """Where an instrument's two leads are; empty when a lead hangs in the air."""

    hi: str = ""
    lo: str = ""

    @property
    def on(self) -> bool:
        """Both leads are on something."""
        return bool(self.hi) and bool(self.lo)


class Site(Plant):
    """A plant with what instruments add: an ohmmeter's view, a line trigger, the load's noise."""

    def __init__(
        self, parts: Parts, clock: Clock, seed: int = 0, faults: Sequence[str] = ()
    ) -> None:
        super().__init__(parts, clock, seed, faults)
        self._noise_seed = seed
        self._load_noise: list[tuple[float, float]] = [(-math.inf, 0.0)]

    def load_noise(self, rms_a: float) -> None:
        """From now on the load draws this much noise current (A rms, white to 1 MHz)."""
        if rms_a != self._load_noise[-1][1]:
            self._load_noise = [*self._load_noise[-_REMEMBERED:], (self._clock.mono_s(), rms_a)]

    def samples_v(self, a: str, b: str, t_s: Floats) -> Floats:
        """Instantaneous voltages; the load's noise falls across the output capacitor's ESR."""
        volts = super().samples_v(a, b, t_s)
        if "plus" not in (a, b) or t_s.size == 0:
            return volts
        starts = [start for start, _ in self._load_noise]
        first = max(0, bisect_right(starts, float(np.min(t_s))) - 1)
        if not any(rms for _, rms in self._load_noise[first:]):
            return volts
        sign = 1.0 if a == "plus" else -1.0
        rms = np.array([rms for _, rms in self._load_noise])
        level = rms[np.searchsorted(starts, t_s, side="right") - 1]
        noise = gauss_at(t_s, _NOISE_RATE_HZ, self._noise_seed, _NOISE_STREAM)
        esr_ohm = self.parts.regulator.c_out_esr_ohm
        return np.asarray(volts - sign * esr_ohm * level * noise, dtype=np.float64)

    def resistance_ohm(self, a: str, b: str, but: str = "") -> float:
        """Ohms between two nodes of the dead unit, the branch named `but` left out.

        :return: infinity when the circuit is live (the input overloads) or open
        """
        now_s = self._clock.mono_s()
        if abs(self.mean_v(a, b, max(0.0, now_s - 0.02), now_s)) > 0.05:
            return math.inf
        if a == b:
            return 0.0
        earth = self.parts.earth
        between = {
            ("plus", "earth"): 1 / earth.r_plus_ohm,
            ("minus", "earth"): 1 / earth.r_minus_ohm,
        }
        between["plus", "minus"] = 1 / self.parts.regulator.bleed_ohm
        for name, branch in self._engine.branches.items():
            for pair in between:
                if name != but and {branch.node_a, branch.node_b} == set(pair):
                    between[pair] += 1 / max(branch.ohms, 1e-3)
        if {a, b} not in [set(pair) for pair in between]:
            return math.inf
        direct = next(s for pair, s in between.items() if set(pair) == {a, b})
        first, second = (s for pair, s in between.items() if set(pair) != {a, b})
        return 1 / (direct + first * second / (first + second))

    def line_crossing_s(self, after_s: float) -> float:
        """Next rising zero crossing of the line after a past moment."""
        self.mean_v("plus", "minus", after_s, after_s)  # brings the history up to now
        stretch = self._engine.history.find(after_s)
        frequency_hz = stretch.line.f_hz
        cycles = stretch.phase0 + (after_s - stretch.t0_s) * frequency_hz
        return after_s + (math.floor(cycles) + 1.0 - cycles) / frequency_hz
