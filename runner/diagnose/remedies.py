"""What a remedy must be worth, computed for this unit; with formula and caution."""

from __future__ import annotations

from collections.abc import Sequence

from runner.diagnose.arithmetic import nearest_e24, reservoir_f, reservoir_ripple_a
from runner.diagnose.drive_remedies import coil_remedies, hysteresis_remedies, threshold_remedies
from runner.diagnose.remedy import CAUTION, Remedy
from runner.finding import Finding
from runner.profile import Profile

__all__ = ["CAUTION", "Remedy", "remedies_for"]

RAW_RIPPLE_V = 2.4
"""Peak to peak on the reservoir at full load that a linear supply is usually built for (mem)."""


def remedies_for(kind: str, profile: Profile, findings: Sequence[Finding] = ()) -> list[Remedy]:
    """Remedies of one kind (a cause's ``remedy``) for a unit of this type and what it showed."""
    match kind:
        case "reservoir":
            return _reservoir(profile)
        case "hysteresis":
            return hysteresis_remedies(profile, findings)
        case "coil":
            return coil_remedies()
        case "output-capacitor":
            return _output_capacitor(profile)
        case "threshold":
            return threshold_remedies(profile, findings)
    return []


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


def _output_capacitor(_profile: Profile) -> list[Remedy]:
    return [
        Remedy(
            "Output capacitor of the value and voltage printed on the old one, low ESR only where"
            " the maker fitted it: the loop counts on its ESR. Repeat `transient` afterwards.",
            "stability of the loop with its output capacitor (common practice)",
        )
    ]
