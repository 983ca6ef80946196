"""What a remedy must be worth, computed for this unit; with formula and caution."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from runner.diagnose.arithmetic import (
    feedback_for_window,
    nearest_e24,
    rc_attenuation,
    rc_corner_hz,
    reservoir_f,
    reservoir_ripple_a,
)
from runner.profile import Profile

__all__ = ["CAUTION", "Remedy", "remedies_for"]

CAUTION = (
    "Work inside a mains unit is for people trained and permitted for it where they work: unplug,"
    " discharge the reservoir through a resistor and measure that it is empty, use an isolating"
    " transformer and an isolated probe for anything energised. Prove the unit safe with a safety"
    " tester afterwards; this program does not."
)
RAW_RIPPLE_V = 2.4
"""Peak to peak on the reservoir at full load that a linear supply is usually built for (mem)."""
INPUT_OHM, SWING_V, WINDOW_V = 10e3, 5.0, 0.5
FILTER_OHM, FILTER_F = 10e3, 1e-6


@dataclass(frozen=True, slots=True)
class Remedy:
    """What to fit or set, and how it was computed."""

    what: str
    formula: str
    caution: str = CAUTION

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


def remedies_for(kind: str, profile: Profile) -> list[Remedy]:
    """Remedies of one kind (a cause's ``remedy``) for a unit of this type."""
    maker = {
        "reservoir": _reservoir, "hysteresis": _hysteresis, "coil": _coil,
        "output-capacitor": _output_capacitor, "threshold": _threshold,
    }.get(kind)  # fmt: skip
    return maker(profile) if maker is not None else []


def _reservoir(profile: Profile) -> list[Remedy]:
    unit = profile.unit
    farad = nearest_e24(reservoir_f(unit.current.high, unit.mains.frequency_hz, RAW_RIPPLE_V))
    volts = 1.6 * 1.1 * unit.voltage.high
    return [
        Remedy(
            f"Reservoir of {farad * 1e6:.0f} µF or more, for at least {volts:.0f} V (the marked"
            f" voltage of the old one if higher), 105 °C, ripple current at least"
            f" {reservoir_ripple_a(unit.current.high):.1f} A rms at {2 * unit.mains.frequency_hz:g}"
            " Hz. The value printed on the old capacitor wins over this one.",
            "C = 0.7·I/(2·f·ΔV) with ΔV 2.4 V; I_rms = 1.87·I (rectifier curves, ωCR 10, 1 %)",
        )
    ]


def _hysteresis(profile: Profile) -> list[Remedy]:
    mains_hz = profile.unit.mains.frequency_hz
    taps = profile.tap_points
    window_v = max(WINDOW_V, 2.0 * taps.hysteresis_min) if taps else WINDOW_V
    feedback = nearest_e24(feedback_for_window(INPUT_OHM, window_v, SWING_V))
    left = [rc_attenuation(FILTER_OHM, FILTER_F, n * mains_hz) for n in (1, 2)]
    return [
        Remedy(
            f"Hysteresis of {window_v:.2g} V at the comparator: with {INPUT_OHM / 1e3:g} kΩ at its"
            f" input and {SWING_V:g} V output swing a feedback resistor of {feedback / 1e3:.3g} kΩ."
            " With a divider in front, divide the wanted hysteresis by it first.",
            "R2 = R1·(VH - VL)/window",
        ),
        Remedy(
            f"Filter of {FILTER_OHM / 1e3:g} kΩ and {FILTER_F * 1e6:g} µF at the sense node:"
            f" {rc_corner_hz(FILTER_OHM, FILTER_F):.1f} Hz, leaves {left[0]:.0%} at {mains_hz:g} Hz"
            f" and {left[1]:.0%} at {2 * mains_hz:g} Hz, and delays the change by"
            f" about {FILTER_OHM * FILTER_F * 1e3:.0f} ms.",
            "fc = 1/(2πRC); 1/√(1 + (f/fc)²); delay RC",
        ),
        *_coil(profile),
    ]


def _coil(_profile: Profile) -> list[Remedy]:
    return [
        Remedy(
            "Diode across the relay coil, cathode to the positive end, for the coil's current and"
            " rail. The relay then releases later by about the coil's time constant, for instance"
            " 0.5 H and 360 Ω: 1.4 ms. The rail must stay above three quarters of the coil's rating"
            " at full load and 90 % line.",
            "τ = L/R; must-operate at 75 % of the rating (relay data sheets)",
        )
    ]


def _output_capacitor(_profile: Profile) -> list[Remedy]:
    return [
        Remedy(
            "Output capacitor of the value and voltage printed on the old one, low ESR only where"
            " the maker fitted it: the loop counts on its ESR. Repeat `transient` afterwards.",
            "stability of the loop with its output capacitor (common practice)",
        )
    ]


def _threshold(profile: Profile) -> list[Remedy]:
    circuit = "; the profile's sensing circuit gives the corners of the tolerances"
    taps = profile.tap_points
    aims = ", ".join(f"{t.nominal:g} V" for t in taps.up) if taps else "the profile's values"
    return [
        Remedy(
            f"Bring the rising tap points to {aims}: for a divider from rail Vr with upper share k,"
            " the output at which its tap reaches Vt is Vr - (Vr - Vt)/k" + circuit + ".",
            "Vout = Vr - (Vr - Vt)/k",
        )
    ]
