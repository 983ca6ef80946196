"""Voltages across rated isolation: inputs, channels, probes, the unit's own float rating."""

from __future__ import annotations

import math

from runner.hookup.edges import MAINS_SIDE, Isolation, IsolationKind
from runner.hookup.graph import words_for
from runner.hookup.hazards import Grade, Hazard, Wiring, wires_at, written
from runner.hookup.mains import mains_volts

__all__ = ["isolation_rules"]

_CODES: dict[IsolationKind, str] = {
    "input": "isolation-exceeded",
    "channels": "isolation-exceeded",
    "cable": "isolation-exceeded",
    "float": "float-rating-exceeded",
    "differential": "differential-probe-exceeded",
    "monitor": "monitor-common-mode",
}
HARMLESS_V = 60.0
"""Isolation of unknown rating is trusted up to the usual 60 V dc bound of extra-low voltage."""


def isolation_rules(wiring: Wiring) -> list[Hazard]:
    """Return a hazard for each isolation that stands more than it is rated for."""
    found: dict[tuple[str, str], Hazard] = {}
    for edge in wiring.graph.edges:
        if not isinstance(edge, Isolation):
            continue
        volts = _volts_across(wiring, edge)
        if volts is None:
            continue
        hazard = _hazard(wiring, edge, volts)
        if hazard is None:
            continue
        key = (hazard.code, edge.name)
        if key not in found or (found[key].value or 0.0) < volts:
            found[key] = hazard
    return list(found.values())


def _volts_across(wiring: Wiring, edge: Isolation) -> float | None:
    """Root of the squares of dc and mains voltage; the full line where a mains part is involved.

    None where nothing relates the two sides: a floating circuit has no voltage to earth.
    """
    graph = wiring.graph
    if edge.kind != "float" and any(graph.sets.same(edge.a, p) for p in MAINS_SIDE):
        return mains_volts(wiring.bench)
    direct = wiring.surge.across(edge.a, edge.b)
    lines = [solved.across(edge.a, edge.b) for _, solved in wiring.line]
    known = [abs(v) for v in (direct, max((x for x in lines if x), key=abs, default=None)) if v]
    return math.hypot(*known) if known else None


def _hazard(wiring: Wiring, edge: Isolation, volts: float) -> Hazard | None:
    wires = wires_at(wiring.bench, (edge.a, edge.b))
    if edge.rated_v is None:
        if volts <= HARMLESS_V and edge.kind != "differential":
            return None
        return Hazard(
            code="isolation-rating-unknown",
            grade=Grade.ASK,
            sentence=f"{written(volts, 'V')} would stand across the {edge.name}, and the bench file"
            " does not say what that is rated for.",
            remedy="Look the rating up and write it into the bench file.",
            value=volts,
            unit="V",
            wires=wires,
            defers=volts > HARMLESS_V,
            numbers={"volts": volts},
        )
    if volts <= edge.rated_v * (1 + 1e-9):
        return None
    return Hazard(
        code=_CODES[edge.kind],
        grade=Grade.STOP,
        sentence=f"{written(volts, 'V')} would stand between {words_for(edge.a)} and"
        f" {words_for(edge.b)}; the {edge.name} allows {written(edge.rated_v, 'V')}.",
        remedy="Use one rated for it, or earth another point so that less stands across it.",
        value=volts,
        unit="V",
        wires=wires,
        defers=volts > HARMLESS_V,
        numbers={"volts": volts, "rated_v": edge.rated_v},
    )
