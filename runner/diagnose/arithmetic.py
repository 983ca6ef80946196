"""Small circuits of a winding relay's drive and of a reservoir; each with its formula.

Volts, ohms, farads, henries, seconds, hertz. Thresholds of a whole sensing circuit with
tolerances are in :mod:`runner.sense_circuit`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = [
    "coil_decay_s", "coil_peak_v", "comparator_thresholds", "divider_tap_v",
    "feedback_for_window", "nearest_e24", "output_at_tap_v", "rc_attenuation", "rc_corner_hz",
    "reservoir_f", "reservoir_ripple_a", "sense_node_ohm",
]  # fmt: skip

E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1,
       5.6, 6.2, 6.8, 7.5, 8.2, 9.1, 10.0)  # fmt: skip
"""IEC 60063."""
CHARGING_SHARE = 0.7
"""Part of the half period in which the reservoir alone feeds the load (model of the reference
circuits: 2.1 V where the bound I/(2fC) gives 3.0 V)."""
RIPPLE_CURRENT = 1.87
"""Capacitor rms current over dc load current: √(2·(3.004/2)² - 1), full wave, ωCR 10, Rs/R 1 %
(classic capacitor-input rectifier curves)."""


def divider_tap_v(rail_v: float, output_v: float, upper_share: float) -> float:
    """Volts at a divider from a rail to the output: Vr - k·(Vr - Vout)."""
    return rail_v - upper_share * (rail_v - output_v)


def output_at_tap_v(rail_v: float, tap_v: float, upper_share: float) -> float:
    """Output at which that divider reaches a level: Vr - (Vr - Vtap)/k."""
    return rail_v - (rail_v - tap_v) / upper_share


def comparator_thresholds(
    ref_v: float, input_ohm: float, feedback_ohm: float, low_v: float, high_v: float
) -> tuple[float, float]:
    """Upper and lower threshold with positive feedback, input through ``input_ohm``.

    V = Vref·(1 + R1/R2) - Vo·R1/R2 with Vo low (rising) and high (falling).
    """
    ratio = input_ohm / feedback_ohm
    return ref_v * (1 + ratio) - low_v * ratio, ref_v * (1 + ratio) - high_v * ratio


def feedback_for_window(input_ohm: float, window_v: float, swing_v: float) -> float:
    """Feedback resistor for a hysteresis: R2 = R1·(VH - VL)/window."""
    return input_ohm * swing_v / window_v


def nearest_e24(value: float) -> float:
    """Nearest E24 value by ratio (IEC 60063)."""
    decade = 10.0 ** math.floor(math.log10(value))
    return decade * min(E24, key=lambda one: abs(math.log(value / (decade * one))))


def rc_corner_hz(ohm: float, farad: float) -> float:
    """Corner 1/(2π·R·C)."""
    return 1.0 / (2.0 * math.pi * ohm * farad)


def rc_attenuation(ohm: float, farad: float, f_hz: float) -> float:
    """What a low pass leaves at a frequency: 1/√(1 + (f/fc)²)."""
    return 1.0 / math.hypot(1.0, f_hz / rc_corner_hz(ohm, farad))


def coil_decay_s(henry: float, ohm: float) -> float:
    """Time constant of a coil's current through a diode: L/R."""
    return henry / ohm


def coil_peak_v(ampere: float, henry: float, farad: float) -> float:
    """Highest voltage of a capacitor that takes all of a coil's energy: I·√(L/C)."""
    return ampere * math.sqrt(henry / farad)


def sense_node_ohm(to_node_ohm: Sequence[float]) -> float:
    """Resistance seen from a node with resistors to stiff voltages: their parallel."""
    return 1.0 / sum(1.0 / ohm for ohm in to_node_ohm)


def reservoir_f(load_a: float, mains_hz: float, ripple_pp_v: float) -> float:
    """Capacitance for a raw ripple behind a full-wave rectifier: about 0.7·I/(2·f·ΔV)."""
    return CHARGING_SHARE * load_a / (2.0 * mains_hz * ripple_pp_v)


def reservoir_ripple_a(load_a: float) -> float:
    """Rms ripple current that the reservoir must stand, about 1.9 times the dc current."""
    return RIPPLE_CURRENT * load_a
