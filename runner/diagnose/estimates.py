"""What the record says about parts, in numbers with an interval, where physics allows it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from runner.finding import Finding
from runner.profile import Profile

__all__ = ["Estimate", "estimates"]

DROPOUT_V, DROPOUT_U_V = 2.0, 1.0
"""Regulator dropout where the profile says nothing (common practice: 1 V to 3 V)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A quantity between ``low`` and ``high`` (95 %), by which formula."""

    what: str
    value: float
    low: float
    high: float
    unit: str
    formula: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


def estimates(findings: Sequence[Finding], profile: Profile) -> list[Estimate]:
    """All that can be estimated from what was measured at the terminals."""
    return [
        *_earth(findings), *_hysteresis(findings), *_threshold_move(findings),
        *_esr_bound(findings, profile),
    ]  # fmt: skip


def _earth(findings: Sequence[Finding]) -> list[Estimate]:
    return [
        Estimate(f.what, f.value, max(f.value - f.u_expanded, 0.0), f.value + f.u_expanded, "Ω",
                 "two readings with and without the bleed resistor")
        for f in findings
        if f.check == "earth-reference" and f.what.startswith("resistance")
        and f.decision != "pass" and f.value is not None and f.u_expanded is not None
    ]  # fmt: skip


def _hysteresis(findings: Sequence[Finding]) -> list[Estimate]:
    found = []
    for f in findings:
        if f.what.startswith("hysteresis of") and f.value is not None and "50%" in f.at:
            u_v = f.u_expanded or 0.0
            found.append(
                Estimate(f.what, f.value, f.value - u_v, f.value + u_v, "V",
                         "rising point - falling point")
            )  # fmt: skip
    disturbance = [
        f for f in findings
        if f.check == "tap-map" and f.what.startswith("glitch") and f.value is not None
    ]  # fmt: skip
    if disturbance:
        worst = max(disturbance, key=lambda f: f.value or 0.0)
        value, u_v = worst.value or 0.0, worst.u_expanded or 0.0
        found.append(
            Estimate("disturbance of the output by a change of winding, which the hysteresis must"
                     " exceed", value, max(value - u_v, 0.0), value + u_v, "V",
                     "largest glitch recorded")
        )  # fmt: skip
    return found


def _threshold_move(findings: Sequence[Finding]) -> list[Estimate]:
    """How far a tap threshold must come down so that 10 % low line still leaves headroom.

    Regulation is lost at the line share s = 1 - margin, where valley = Vtap + Vdo. The valley goes
    with the line, so at 0.9 it is (Vtap + Vdo)·0.9/s; what lacks is the difference.
    """
    found = []
    for f in findings:
        if not (f.what == "line voltage margin" and f.value is not None and f.value < 10.0):
            continue
        place = re.search(r"below tap point (\d+), ([\d.]+) V", f.at)
        if place is None:
            continue

        def lacking(margin: float, drop_v: float, tap_v: float = float(place[2])) -> float:
            return (tap_v + drop_v) * (1.0 - 0.9 / (1.0 - margin / 100.0))

        u = f.u_expanded or 0.0
        low = lacking(f.value + u, DROPOUT_V - DROPOUT_U_V)
        high = lacking(f.value - u, DROPOUT_V + DROPOUT_U_V)
        found.append(
            Estimate(
                f"tap point {place[1]} must come down by",
                lacking(f.value, DROPOUT_V),
                min(low, high),
                max(low, high),
                "V",
                "(Vtap + Vdo)·(1 - 0.9/s), s the line share at which regulation is lost",
            )
        )
    return found


def _esr_bound(findings: Sequence[Finding], profile: Profile) -> list[Estimate]:
    """Peak of the answer to a half-load step over the step: the ESR is not above this."""
    for f in findings:
        peak = re.search(r"peak (-?[\d.]+) (mV|V)", f.at)
        if f.check == "transient" and f.what == "recovery time" and peak is not None:
            volts = abs(float(peak[1])) * (1e-3 if peak[2] == "mV" else 1.0)
            ohm = volts / (0.5 * profile.unit.current.high)
            return [Estimate("ESR of the output capacitor, upper bound", ohm, 0.0, ohm, "Ω",
                             "peak of the answer over the load step")]  # fmt: skip
    return []
