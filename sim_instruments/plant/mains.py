"""The line: slow wander, dips, and what the arrangement in front of the unit adds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim_instruments.plant.heat import wander
from sim_instruments.plant.parts import Mains

__all__ = ["Dip", "LineState", "arranged"]

LINE_STEP = 2e-4  # the wander moves in steps of 0.02 %, so that steady cycles can be reused
F_STEP_HZ = 0.01

# Series resistance at 230 V, common-practice figures for a 300 VA isolating transformer
# (about 4 % regulation) and a 5 A variac.
EXTRA_OHM = {"direct": 0.0, "isolating-transformer": 5.0, "variac": 0.9, "lamp-limiter": 0.0}


@dataclass(frozen=True, slots=True)
class Dip:
    """The line falls to a part of its voltage for a while."""

    start_s: float
    length_s: float
    left: float


def arranged(mains: Mains, chain: tuple[str, ...]) -> Mains:
    """The same line with these things between socket and unit (names of the bench file)."""
    extra = sum(EXTRA_OHM.get(name, 0.0) for name in chain) * (mains.v_rms / 230.0) ** 2
    arrangement = mains.arrangement
    for name in ("isolating-transformer", "variac", "lamp-limiter"):
        if name in chain:
            arrangement = name
    quiet = {"wander": 2e-4, "f_wander_hz": 0.0} if "mains-source" in chain else {}
    return replace(mains, source_ohm=mains.source_ohm + extra, arrangement=arrangement, **quiet)


class LineState:
    """Line voltage factor, frequency offset and lamp temperature as they stand now."""

    def __init__(self, mains: Mains, rng: np.random.Generator) -> None:
        self.mains = mains
        self._rng = rng
        self._v = 0.0
        self._f = 0.0
        self.lamp_ohm = self._lamp_cold_ohm
        self.factor = 1.0
        self.f_offset_hz = 0.0

    @property
    def _lamp_hot_ohm(self) -> float:
        return self.mains.v_rms**2 / self.mains.lamp_w

    @property
    def _lamp_cold_ohm(self) -> float:
        return self._lamp_hot_ohm / 13.0  # tungsten, cold against white-hot (from memory)

    def step(self, dt_s: float, inlet_a_rms: float) -> None:
        """Let dt seconds pass; the lamp warms with the current through it."""
        m = self.mains
        a, b = self._rng.standard_normal(2)
        self._v = wander(self._v, dt_s, m.wander_tau_s, m.wander, float(a))
        self._f = wander(self._f, dt_s, m.wander_tau_s, m.f_wander_hz, float(b))
        self.factor = 1.0 + round(self._v / LINE_STEP) * LINE_STEP
        self.f_offset_hz = round(self._f / F_STEP_HZ) * F_STEP_HZ
        if m.arrangement == "lamp-limiter":
            rated_a = m.lamp_w / m.v_rms
            part = min(inlet_a_rms / rated_a, 1.2) ** 1.2
            rest = self._lamp_cold_ohm + (self._lamp_hot_ohm - self._lamp_cold_ohm) * part
            ohm = self.lamp_ohm + (rest - self.lamp_ohm) * min(dt_s / 0.3, 1.0)
            self.lamp_ohm = round(ohm / self._lamp_cold_ohm, 1) * self._lamp_cold_ohm

    def source_ohm(self) -> float:
        """Series resistance between the ideal source and the inlet."""
        lamp = self.lamp_ohm if self.mains.arrangement == "lamp-limiter" else 0.0
        return self.mains.source_ohm + lamp
