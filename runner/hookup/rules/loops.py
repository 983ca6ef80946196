"""More than one way to earth on the same terminal: no shock, but hum in the ripple reading."""

from __future__ import annotations

from runner.hookup.edges import EARTH, Tie
from runner.hookup.graph import Graph, points_along
from runner.hookup.hazards import Grade, Hazard, Wiring, joined_names, leads_in, written

__all__ = ["LOOP_V", "loop_current_a", "loop_rules"]

LOOP_V = 0.010
"""Voltage at the line frequency between two earth points of one bench, in V (common practice)."""


def loop_current_a(ohms: float) -> float:
    """Current in A that ``LOOP_V`` drives round an earth loop of this resistance in ohms."""
    return LOOP_V / ohms


def loop_rules(wiring: Wiring) -> list[Hazard]:
    """Return a note when the output has two ways to earth, or one through the computer."""
    terminal = next((p for p in ("unit.minus", "unit.plus") if wiring.graph.earthed(p)), None)
    if terminal is None:
        return []
    first = wiring.graph.path(terminal, EARTH) or ()
    ways = [tie for tie in first if isinstance(tie, Tie)]
    found = _through_computer(wiring, ways)
    last = ways[-1]
    rest = Graph(tuple(edge for edge in wiring.graph.edges if edge is not last))
    second = [tie for tie in rest.path(terminal, EARTH) or () if isinstance(tie, Tie)]
    if not second:
        return found
    loop = [tie for tie in (*ways, *second) if (tie in ways) != (tie in second)]
    current_a = loop_current_a(sum(tie.ohms for tie in loop))
    ring = (*points_along(terminal, ways), *points_along(EARTH, list(reversed(second)))[1:])
    return [*found, _loop(loop, current_a, ring)]


def _loop(loop: list[Tie], current_a: float, ring: tuple[str, ...]) -> Hazard:
    kinds = {tie.kind for tie in loop}
    code = "earth-loop"
    if "strap" in kinds and "found" not in kinds:
        code = "strap-and-earthed-instrument"
    elif "cable" in kinds:
        code = "earth-loop-through-data-cable"
    return Hazard(
        code=code,
        grade=Grade.NOTE,
        sentence=f"The output has two ways to earth ({joined_names(loop)}): about"
        f" {written(current_a, 'A')} at the line frequency flow round them and add to the ripple"
        " that is read.",
        remedy="Leave one way to earth: take the strap off, or use isolated inputs or interfaces.",
        value=current_a,
        unit="A",
        wires=leads_in(loop),
        numbers={"loop_a": current_a},
        loop=ring,
    )


def _through_computer(wiring: Wiring, way: list[Tie]) -> list[Hazard]:
    cables = [tie.name for tie in way if tie.kind == "cable"]
    if not cables:
        return []
    return [
        Hazard(
            code="earthed-through-computer",
            grade=Grade.NOTE,
            sentence=f"The {cables[0]} brings the computer's earth to the output, though the"
            " instrument itself floats.",
            remedy="Use LAN without screen, an isolated USB interface, or fibre.",
            wires=tuple(cables),
        )
    ]
