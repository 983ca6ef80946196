"""What stands outside the unit's parts: its controls and the load on its terminals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

__all__ = ["Inlet", "LoadDemand", "Settings"]

LoadMode = Literal["off", "cc", "cr", "cv", "cp", "short"]


@dataclass(frozen=True, slots=True)
class LoadDemand:
    """What the load tries to do.

    level: amperes (cc), ohms (cr, short), volts (cv) or watts (cp). Below v_min a cc load
    turns into a resistor v_min/level. level_b, frequency_hz and duty make a dynamic load
    that is at `level` for `duty` of each period and at `level_b` for the rest. l_lead_h is
    the inductance between the point where the loop senses and the post.
    """

    mode: LoadMode = "off"
    level: float = 0.0
    slew_a_per_s: float = 1e6
    v_min: float = 0.1
    i_max: float = 1000.0
    level_b: float | None = None
    frequency_hz: float = 0.0
    duty: float = 0.5
    l_lead_h: float = 0.05e-6

    @property
    def is_dynamic(self) -> bool:
        """Whether it goes to and fro between two levels."""
        return self.level_b is not None and self.frequency_hz > 0.0 and self.mode == "cc"


@dataclass(slots=True)
class Settings:
    """Controls as they stand; changed by the Plant's public methods only."""

    by_knob: bool = False
    knob: float = 0.0
    set_v: float = 0.0
    limit_a: float = math.inf
    output_on: bool = True
    mains_on: bool = True
    mains_v_rms: float = 230.0
    mains_f_hz: float = 50.0
    load: LoadDemand = LoadDemand()


@dataclass(frozen=True, slots=True)
class Inlet:
    """What a mains meter at the unit's inlet reads.

    A transformer passes no direct current: with one diode open the mean primary current
    stays zero and the two half-cycles differ in shape instead, which `i_peak_pos_a` and
    `i_peak_neg_a` show.
    """

    v_rms: float
    i_rms: float
    p_w: float
    s_va: float
    f_hz: float
    i_dc_a: float
    i_peak_pos_a: float
    i_peak_neg_a: float
