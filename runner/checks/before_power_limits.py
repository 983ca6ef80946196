"""Limits of the after-repair safety values by protection class and cord, and how sure they are.

The values come from a proper safety tester in trained hands; nothing here replaces it, nor the
rules of the place. Sources are those of EN 50678-style tests after repair: what was read in a
document is marked so, what is remembered is marked "from memory".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["QUESTIONS", "SafetyLimit", "SafetyQuestion", "earth_bond_limit_ohm", "limits_for"]

ProtectionClass = Literal["I", "II", "III"]
THIN_MM2 = 1.5
COPPER_M_PER_OHM_MM2 = 56.0
LEAST_OHM = 0.1


@dataclass(frozen=True, slots=True)
class SafetyQuestion:
    """One value that the tester gives: asked in ``asked_unit``, kept in ``unit`` (times factor)."""

    key: str
    what: str
    text: str
    asked_unit: str
    unit: str
    factor: float
    most: float


@dataclass(frozen=True, slots=True)
class SafetyLimit:
    """A limit in SI units on one side, and where it comes from."""

    key: str
    low: float | None
    high: float | None
    source: str


QUESTIONS: dict[str, SafetyQuestion] = {
    one.key: one
    for one in (
        SafetyQuestion(
            "earth-bond", "protective conductor resistance",
            "Resistance from the plug's earth pin to the case, the cord being flexed?",
            "Ω", "Ω", 1.0, 1e4,
        ),
        SafetyQuestion(
            "insulation", "insulation, line and neutral to earth or case",
            "Insulation of line and neutral together to earth (or to the case), 500 V?",
            "MΩ", "Ω", 1e6, 1e6,
        ),
        SafetyQuestion(
            "output-insulation", "insulation, line and neutral to the output",
            "Insulation of line and neutral together to both output terminals, 500 V?",
            "MΩ", "Ω", 1e6, 1e6,
        ),
        SafetyQuestion(
            "earth-current", "protective conductor current",
            "Current in the protective conductor, both ways of the plug, the greater one?",
            "mA", "A", 1e-3, 1e3,
        ),
        SafetyQuestion(
            "touch-current", "touch current",
            "Touch current of parts that are not earthed, both ways of the plug, the greater one?",
            "mA", "A", 1e-3, 1e3,
        ),
    )
}  # fmt: skip

_BOND = "VDE 0701-1:2000 table, carried on in EN 50678 (documented)"
_THICK = "EN 50678 as reported: length over conductivity and area, at least 0.1 Ω (documented)"
_INSULATION = "VDE 0701-1:2000 table (documented); carried on in EN 50678 (from memory)"
_OUTPUT = "VDE 0701-1:2000, parts not bonded to earth count as class II (documented)"
_EARTH = "DIN VDE 0701-0702:2008 sheets (documented); carried on in EN 50678 (from memory)"


def earth_bond_limit_ohm(cord_m: float, area_mm2: float = THIN_MM2) -> float:
    """Highest resistance of the protective conductor in Ω for this cord.

    Up to 1.5 mm²: 0.3 Ω up to 5 m, 0.1 Ω more for each further 7.5 m begun, at most 1 Ω. Thicker:
    l/(κ·A) with κ = 56 m/(Ω·mm²), at least 0.1 Ω.

    :raises ValueError: a length that is not positive and finite, an area below 0.5 mm²
    """
    if not 0 < cord_m < 1e4 or area_mm2 < 0.5:
        raise ValueError(f"expected a cord's length and area, found {cord_m} m, {area_mm2} mm²")
    if area_mm2 > THIN_MM2:
        return max(LEAST_OHM, cord_m / (COPPER_M_PER_OHM_MM2 * area_mm2))
    further = max(0.0, cord_m - 5.0)
    steps = -(-further // 7.5)
    return min(1.0, 0.3 + 0.1 * steps)


def limits_for(
    protection: ProtectionClass, cord_m: float, area_mm2: float = THIN_MM2
) -> tuple[SafetyLimit, ...]:
    """Limits that apply to a unit of this protection class, in the order of testing."""
    bond_source = _THICK if area_mm2 > THIN_MM2 else _BOND
    output = SafetyLimit("output-insulation", 2.0e6, None, _OUTPUT)
    match protection:
        case "I":
            return (
                SafetyLimit(
                    "earth-bond", None, earth_bond_limit_ohm(cord_m, area_mm2), bond_source
                ),
                SafetyLimit("insulation", 1.0e6, None, _INSULATION),
                output,
                SafetyLimit("earth-current", None, 3.5e-3, _EARTH),
                SafetyLimit("touch-current", None, 0.5e-3, _EARTH),
            )
        case "II":
            return (
                SafetyLimit("insulation", 2.0e6, None, _INSULATION),
                output,
                SafetyLimit("touch-current", None, 0.5e-3, _EARTH),
            )
        case "III":
            return (SafetyLimit("insulation", 0.25e6, None, _INSULATION),)
