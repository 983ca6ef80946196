"""The unit as the bench touches it: the plant, with what only instruments ask of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim_instruments.plant.plant import Plant

__all__ = ["Leads", "Site"]

_OUTPUT_OHM = 2.2e3  # bleeder and regulator across the dead output, as an ohmmeter sees them


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
    """A plant whose resistances can be asked with an ohmmeter."""

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
        between["plus", "minus"] = 1 / _OUTPUT_OHM
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
