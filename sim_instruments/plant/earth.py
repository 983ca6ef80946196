"""The output against earth: leaks, capacitors, stray coupling from the primary, attachments.

Nodes are plus, minus and earth; anything attached between other nodes is ignored here.
With G_p, G_m the conductances of plus and minus to earth and V the output voltage, minus
rests at -V·G_p/(G_p + G_m) (divider) and gets there with (C_p + C_m + C_s)/(G_p + G_m).
The primary acts through C_s as a source of half the line voltage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim_instruments.plant.parts import Earth

__all__ = ["Branch", "EarthView", "view_of"]


@dataclass(frozen=True, slots=True)
class Branch:
    """Something tied between two nodes."""

    node_a: str
    node_b: str
    ohms: float
    farads: float = 0.0


@dataclass(frozen=True, slots=True)
class EarthView:
    """The network reduced: what the output and the minus terminal see."""

    g_across_s: float  # conductance between plus and minus by all outside paths
    share: float  # minus rests at -share·V
    tau_s: float
    ac_v_rms: float
    ac_phase: float  # cycles, against the line
    g_plus_s: float
    g_minus_s: float
    farads_across: float


def _totals(earth: Earth, branches: dict[str, Branch]) -> tuple[float, float, float, float, float]:
    g_p, g_m, g_pm = 1.0 / earth.r_plus_ohm, 1.0 / earth.r_minus_ohm, 0.0
    c_p, c_m = earth.c_plus_f, earth.c_minus_f
    for b in branches.values():
        pair = {b.node_a, b.node_b}
        g = 1.0 / b.ohms if b.ohms > 0.0 else 1e4
        if pair == {"plus", "earth"}:
            g_p, c_p = g_p + g, c_p + b.farads
        elif pair == {"minus", "earth"}:
            g_m, c_m = g_m + g, c_m + b.farads
        elif pair == {"plus", "minus"}:
            g_pm += g
    return g_p, g_m, g_pm, c_p, c_m


def view_of(earth: Earth, branches: dict[str, Branch], line_v_rms: float, f_hz: float) -> EarthView:
    """Reduce leaks and attachments; line 0 V when the mains is off."""
    g_p, g_m, g_pm, c_p, c_m = _totals(earth, branches)
    g = g_p + g_m
    c = c_p + c_m + earth.c_stray_f
    w = 2.0 * math.pi * f_hz
    drive = complex(0.0, w * earth.c_stray_f) * line_v_rms * earth.stray_fraction
    z = drive / complex(g, w * c)
    return EarthView(
        g_across_s=g_pm + g_p * g_m / g,
        share=g_p / g,
        tau_s=c / g,
        ac_v_rms=abs(z),
        ac_phase=math.atan2(z.imag, z.real) / (2.0 * math.pi),
        g_plus_s=g_p,
        g_minus_s=g_m,
        farads_across=c_p * c_m / (c_p + c_m) if c_p + c_m > 0.0 else 0.0,
    )
