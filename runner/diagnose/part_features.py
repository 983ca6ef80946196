"""Features that are parts: what is left of a capacitor, beside what such a unit is built with.

A capacitor that was weighed by how fast it empties is told from every other cause of ripple in the
valleys, and stays told when a second fault makes the same findings fail.
"""

from __future__ import annotations

from runner.diagnose.capacitors import (
    OUTPUT_PER_A,
    Farads,
    output_farads,
    reservoir_farads,
)
from runner.diagnose.feature import Feature
from runner.diagnose.levels import step
from runner.diagnose.mains_content import RAW_PP_V
from runner.profile import Profile
from runner.quantity import format_quantity
from runner.record.reader import Record

__all__ = ["part_features"]


def part_features(record: Record, profile: Profile) -> dict[str, Feature]:
    """Return what the traces say about the capacitors of a linear unit, by name."""
    if profile.unit.kind == "switch-mode":
        return {}
    rated_a = profile.unit.current.high
    reservoir_f = 0.7 * rated_a / (2.0 * profile.unit.mains.frequency_hz * RAW_PP_V)
    output = output_farads(record, profile)
    told = {
        "farads": _left("reservoir", reservoir_farads(record, profile, output), reservoir_f),
        "output_farads": _left("output capacitor", output, OUTPUT_PER_A * rated_a),
    }
    return {name: one for name, one in told.items() if one is not None}


def _left(what: str, found: Farads | None, usual_f: float) -> Feature | None:
    """Ratio of what is left to the usual value, C = 0.7·I/(2·f·ΔV) or a value per ampere.

    A maker takes the next preferred value above, with 20 %, so a whole part is 0.8 to 1.8 times the
    usual one; a part that has lost a third reads as whole at times, and no limit then fails by it.
    """
    if found is None:
        return None
    ratio = found.farad / usual_f
    state = step(ratio, (0.2, "hardly any"), (0.6, "little"), (0.8, "less"), above="ok")
    written = format_quantity(found.farad, "F", 2).replace("uF", "µF")
    return Feature(state, f"{what}: {written} left, {ratio:.2g} times the usual value", ratio)
