"""Sources whose two ends meet: through earth, through a scope's screens, or by plain wire.

Sources are taken in order into a forest over the points that are hard-joined. One whose ends
meet already closes a loop, and every such loop is a short: of that source, or of two sources
against or after each other. A further wire can only close more loops, never fewer.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from runner.hookup.edges import EARTH, Edge, Source, Tie
from runner.hookup.graph import Graph, Sets, capital, points_along, words_for
from runner.hookup.hazards import (
    Grade,
    Hazard,
    Wiring,
    joined_names,
    leads_in,
    wires_at,
    written,
)

__all__ = ["short_rules"]


def short_rules(wiring: Wiring) -> list[Hazard]:
    """Return one hazard for each loop that a source drives through hard connections."""
    graph = wiring.graph
    forest = Sets((tie.a, tie.b) for tie in graph.ties)
    grown: list[Source] = []
    found: list[Hazard] = []
    for source in graph.sources:
        if forest.join(source.a, source.b):
            grown.append(source)
            continue
        if _beside_the_output(graph, source):
            continue  # the rule for second sources has the better numbers
        way = graph.path(source.a, source.b) or graph.path(source.a, source.b, over=grown)
        found.append(_short(wiring, source, way or ()))
    return [*found, *_reversed_load(wiring)]


def _beside_the_output(graph: Graph, source: Source) -> bool:
    same = graph.sets.same
    parallel = same(source.a, "unit.plus") and same(source.b, "unit.minus")
    return parallel and not source.a.startswith("unit.") and not same(source.a, source.b)


def _short(wiring: Wiring, source: Source, way: Sequence[Edge]) -> Hazard:
    points = points_along(source.a, way)
    sources = [source, *(edge for edge in way if isinstance(edge, Source))]
    numbers = _numbers(wiring, sources)
    cuts = _leads_to_take_off(wiring.graph, source)
    code, remedy = _kind_of_short(cuts, way, points, sources)
    ends = (points[0], points[-1]) if len(sources) == 1 else _ends(sources)
    return Hazard(
        code=code,
        grade=Grade.STOP,
        sentence=_sentence(way, ends, sources, numbers),
        remedy=remedy,
        value=numbers["surge_a"],
        unit="A",
        wires=tuple(dict.fromkeys([*cuts, *leads_in(way)])),
        defers=source.ac_v > 0,
        numbers=numbers,
        loop=points,
    )


def _ends(sources: Sequence[Source]) -> Sequence[str]:
    """What two sources with a common − put together, else all their ends."""
    every = [point for source in sources for point in (source.a, source.b)]
    common = {source.b for source in sources}
    return [source.a for source in sources] if len(common) == 1 else list(dict.fromkeys(every))


def _numbers(wiring: Wiring, sources: Sequence[Source]) -> dict[str, float]:
    if any(source.ac_v for source in sources):
        return {"surge_a": wiring.mains_a, "sustained_a": wiring.mains_a}
    names = [source.name for source in sources]
    return {
        "surge_a": max(wiring.direct_a(name, wiring.surge) for name in names),
        "sustained_a": max(wiring.direct_a(name, wiring.sustained) for name in names),
        "energy_j": sum(source.stored_j for source in sources),
    }


def _leads_to_take_off(graph: Graph, source: Source) -> tuple[str, ...]:
    """Names of the fewest leads found that open every hard way between the source's ends."""
    both = [_cuts(graph, source.a, source.b), _cuts(graph, source.b, source.a)]
    return min((c for c in both if c), key=len, default=())


def _cuts(graph: Graph, start: str, end: str) -> tuple[str, ...]:
    cut: list[str] = []
    while way := graph.path(start, end):
        leads = leads_in(way)
        if not leads:
            return ()
        cut.append(leads[0])
        graph = Graph(tuple(edge for edge in graph.edges if edge.name != leads[0]))
    return tuple(cut)


def _kind_of_short(
    cuts: Sequence[str], way: Sequence[Edge], points: Sequence[str], sources: Sequence[Source]
) -> tuple[str, str]:
    second = [s for s in sources if not s.a.startswith(("unit.", "mains."))]
    if second and len(sources) > 1:
        return _kind_of_pair(second[0], way, points)
    first = " and ".join(repr(name) for name in cuts or leads_in(way)) or "one of the wires"
    if EARTH in points:
        return "output-shorted-through-earth", (
            f"Take off {first}; use an isolated or differential input, or earth only that"
            " terminal which is earthed already."
        )
    if any(isinstance(edge, Tie) and edge.kind == "cable" for edge in way):
        return "shorted-through-data-cables", (
            f"Take off {first}, or use isolated interfaces: the screens of the data cables join"
            " the two instruments."
        )
    if any(point.endswith((".case", ".common")) for point in points):
        return "screens-on-two-points", (
            f"Take off {first}: screens that are joined inside the instrument belong on one and"
            " the same terminal. For two points use isolated channels, a differential probe, or"
            " two tips and the difference."
        )
    return "source-shorted", f"Take off {first}."


def _kind_of_pair(second: Source, way: Sequence[Edge], points: Sequence[str]) -> tuple[str, str]:
    steps = list(zip(way, pairwise(points), strict=True))
    helping = any(isinstance(edge, Source) and ends[0] == edge.b for edge, ends in steps)
    if helping:
        return "series-outputs-shorted", (
            f"Take off one lead of {second.name}: two sources in series are joined at both ends."
        )
    return "sources-joined", f"Take off one lead of {second.name}: two sources fight."


def _sentence(
    way: Sequence[Edge],
    ends: Sequence[str],
    sources: Sequence[Source],
    numbers: dict[str, float],
) -> str:
    met = " and ".join(words_for(point) for point in ends)
    ties = joined_names(edge for edge in way if isinstance(edge, Tie))
    surge = written(numbers["surge_a"], "A")
    text = f"{capital(met)} are joined ({ties}): {surge} at the first instant"
    energy_j = numbers.get("energy_j", 0.0)
    if energy_j:
        text += f" ({written(energy_j, 'J')} out of the capacitor)"
    if any(source.ac_v for source in sources):
        return text + " until the fuse or breaker opens."
    limited = any(source.limit_a for source in sources)
    rest = "once the current limit acts" if limited else "with no limit to stop it"
    return f"{text}, then {written(numbers['sustained_a'], 'A')} {rest}."


def _reversed_load(wiring: Wiring) -> list[Hazard]:
    sets, found = wiring.graph.sets, []
    for load in (one for one in wiring.bench.instrument if one.role == "load"):
        plus, minus = f"{load.name}.plus", f"{load.name}.minus"
        shorted = sets.same("unit.plus", "unit.minus")
        if sets.same(plus, "unit.minus") and sets.same(minus, "unit.plus") and not shorted:
            limit_a = wiring.profile.unit.current.high
            found.append(
                Hazard(
                    code="load-reversed",
                    grade=Grade.STOP,
                    sentence=f"The leads of {load.name} are crossed: a load conducts backwards even"
                    f" when it is off, {written(limit_a, 'A')} and more.",
                    remedy=f"Put + of {load.name} on the unit's + and − on −.",
                    value=limit_a,
                    unit="A",
                    wires=wires_at(wiring.bench, (plus, minus)),
                )
            )
    return found
