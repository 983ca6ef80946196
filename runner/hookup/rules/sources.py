"""A second source on the output: back-feeding through a resistor or diode, outputs in series."""

from __future__ import annotations

from collections.abc import Sequence

from runner.bench import Instrument
from runner.hookup.edges import EARTH, Diode, Edge, Resistance, Source, Tie
from runner.hookup.graph import Graph, points_along
from runner.hookup.hazards import Grade, Hazard, Wiring, leads_in, written

__all__ = ["source_rules"]

MOST_FED_BACK_A = 1.0
"""A resistor that keeps the current below this is taken for the reverse test; proposed default."""
WARN_V, DANGEROUS_V = 35.0, 60.0
"""Common practice: above 35 V dc it is said, above 60 V dc it is asked about."""


def source_rules(wiring: Wiring) -> list[Hazard]:
    """Return hazards of second sources, and of high direct voltages."""
    found: list[Hazard] = []
    for one in wiring.bench.instrument:
        if one.role == "second-source":
            found += _beside(wiring, one) or _in_series(wiring, one)
    return [*found, *_direct_voltage(wiring)]


def _beside(wiring: Wiring, source: Instrument) -> list[Hazard]:
    """Both poles lead to the output: hard, or through a resistor or a diode."""
    graph = wiring.graph
    loose = [e for e in graph.edges if isinstance(e, Diode) or _is_resistor(wiring, e)]
    plus = _way(graph, f"{source.name}.plus", "unit.plus", loose)
    minus = _way(graph, "unit.minus", f"{source.name}.minus", loose)
    if plus is None or minus is None or graph.sets.same("unit.plus", "unit.minus"):
        return []
    if _blocks(f"{source.name}.plus", plus) or _blocks("unit.minus", minus):
        return [
            Hazard(
                code="second-source-behind-diode",
                grade=Grade.NOTE,
                sentence=f"{source.name} stands beside the output behind a diode: it cannot feed"
                " back, but the output can feed it.",
                remedy="Take it off for the checks; the unit is to be measured alone.",
            )
        ]
    ways = [edge for edge in (*plus, *minus) if isinstance(edge, Tie | Resistance | Diode)]
    ohms = source.source_resistance + sum(edge.ohms for edge in ways)
    fed_a = ((source.source_voltage or 0.0) - wiring.profile.unit.voltage.low) / ohms
    fed_a = min(fed_a, source.source_current or fed_a)
    hard = not any(edge in loose for edge in ways)
    ring = (*points_along(f"{source.name}.plus", plus), *points_along("unit.minus", minus))
    return [_back_feed(source, leads_in(ways), fed_a, hard, ring)]


def _way(graph: Graph, start: str, end: str, loose: Sequence[Edge]) -> tuple[Edge, ...] | None:
    """Shortest hard way, else one that also takes resistors and diodes."""
    hard = graph.path(start, end)
    return hard if hard is not None else graph.path(start, end, over=loose)


def _is_resistor(wiring: Wiring, edge: Edge) -> bool:
    return isinstance(edge, Resistance) and any(
        {edge.a, edge.b} == {wire.a, wire.b} for wire in wiring.bench.connection
    )


def _blocks(start: str, way: Sequence[Edge]) -> bool:
    """Whether a diode on the way conducts against the way's direction."""
    points = points_along(start, way)
    return any(
        isinstance(edge, Diode) and edge.b == point
        for edge, point in zip(way, points, strict=False)
    )


def _back_feed(
    source: Instrument, wires: Sequence[str], fed_a: float, hard: bool, ring: tuple[str, ...]
) -> Hazard:
    stop = hard or fed_a > MOST_FED_BACK_A
    return Hazard(
        code="second-source-back-feeds",
        grade=Grade.STOP if stop else Grade.ASK,
        sentence=f"{source.name} ({written(source.source_voltage or 0.0, 'V')}) can push"
        f" {written(fed_a, 'A')} back into the unit's output when that is set lower or off.",
        remedy=f"Put a series diode into the + lead of {source.name} that blocks towards the unit,"
        " or take the lead off.",
        value=fed_a,
        unit="A",
        wires=tuple(dict.fromkeys(wires)),
        numbers={"sustained_a": fed_a},
        loop=ring,
    )


def _in_series(wiring: Wiring, source: Instrument) -> list[Hazard]:
    sets = wiring.graph.sets
    plus, minus = f"{source.name}.plus", f"{source.name}.minus"
    if not (sets.same(minus, "unit.plus") or sets.same(plus, "unit.minus")):
        return []
    limits = [wiring.profile.unit.current.high, source.source_current or float("inf")]
    total_v = wiring.profile.unit.voltage.high + (source.source_voltage or 0.0)
    if source.reverse_diode:
        return []
    return [
        Hazard(
            code="series-without-reverse-diode",
            grade=Grade.ASK,
            sentence=f"{source.name} and the unit stand in series ({written(total_v, 'V')} in all):"
            f" when one gives up, the other drives {written(min(limits), 'A')} backwards"
            " through it.",
            remedy="Put a diode across each output, cathode to +, rated for the current; join them"
            " only with both outputs off.",
            value=min(limits),
            unit="A",
            numbers={"sustained_a": min(limits), "volts": total_v},
        )
    ]


def _direct_voltage(wiring: Wiring) -> list[Hazard]:
    """Highest direct voltage that a finger can find: between output terminals or to earth."""
    solved = wiring.surge
    touchable = ["unit.plus", "unit.minus"]
    for edge in wiring.graph.edges:
        if isinstance(edge, Source) and not edge.a.startswith(("unit.", "mains.")):
            touchable += [edge.a, edge.b]
    pairs = [(a, b) for a in [*touchable, EARTH] for b in touchable]
    together = [abs(solved.across(a, b) or 0.0) for a, b in pairs if _related(wiring, a, b)]
    volts = max(*together, wiring.profile.unit.voltage.high)
    if volts <= WARN_V:
        return []
    high = volts > DANGEROUS_V
    return [
        Hazard(
            code="dangerous-direct-voltage" if high else "direct-voltage-above-35-v",
            grade=Grade.ASK if high else Grade.NOTE,
            sentence=f"Up to {written(volts, 'V')} dc stand between terminals that can be touched.",
            remedy="Cover the terminals, clip with the output off, one hand.",
            value=volts,
            unit="V",
            defers=high,
            numbers={"volts": volts},
        )
    ]


def _related(wiring: Wiring, a: str, b: str) -> bool:
    """Whether hard connections or sources lead from one point to the other."""
    return wiring.graph.path(a, b, over=wiring.graph.sources) is not None
