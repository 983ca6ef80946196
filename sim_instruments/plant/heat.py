"""Slow temperatures: ambient, heatsink, the air inside, the pass element."""

from __future__ import annotations

import math

import numpy as np

from sim_instruments.plant.parts import Heat

__all__ = ["Temperatures", "wander"]


def wander(x: float, dt_s: float, tau_s: float, sigma: float, draw: float) -> float:
    """One step of a mean-reverting random walk of standard deviation sigma."""
    keep = math.exp(-dt_s / tau_s)
    return x * keep + sigma * math.sqrt(1.0 - keep * keep) * draw


class Temperatures:
    """Degrees Celsius now. `step` moves them with the heat given in watts."""

    def __init__(self, heat: Heat, rng: np.random.Generator) -> None:
        self.heat = heat
        self._rng = rng
        self._ambient_k = 0.0
        self.ambient_c = heat.ambient_c
        self.heatsink_c = heat.ambient_c
        self.inside_c = heat.ambient_c
        self.pass_c = heat.ambient_c
        self.fan_on = False
        self.tripped = False

    def step(self, dt_s: float, pass_w: float) -> None:
        """Let dt seconds pass with this much heat in the pass element."""
        h = self.heat
        draw = float(self._rng.standard_normal())
        self._ambient_k = wander(self._ambient_k, dt_s, h.ambient_tau_s, h.ambient_wander_k, draw)
        self.ambient_c = h.ambient_c + self._ambient_k
        self.fan_on = self.heatsink_c > h.fan_on_c - (3.0 if self.fan_on else 0.0)
        r = h.heatsink_k_per_w / (h.fan_gain if self.fan_on else 1.0)
        rest = self.ambient_c + r * pass_w
        keep = math.exp(-dt_s / (r * h.heatsink_j_per_k))
        self.heatsink_c = rest + (self.heatsink_c - rest) * keep
        inside = self.ambient_c + h.inside_fraction * (self.heatsink_c - self.ambient_c)
        self.inside_c += (inside - self.inside_c) * (1.0 - math.exp(-dt_s / h.inside_tau_s))
        self.pass_c = self.heatsink_c + h.junction_k_per_w * pass_w
        if self.heatsink_c > h.trip_c:
            self.tripped = True
        elif self.heatsink_c < h.reset_c:
            self.tripped = False
