"""The bench in plain text: a tree of what is tied to what, from earth outwards, loops marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from runner.hookup.drawing import edges_in_loop, on_the_loop
from runner.hookup.edges import EARTH, MAINS_SIDE, Tie
from runner.hookup.graph import Graph, words_for
from runner.hookup.hazards import Hazard

__all__ = ["draw_text"]

_FIRST = (EARTH, "unit.plus", "unit.minus", *MAINS_SIDE)
_LOOSE = {"wire", "strap", "found", "cable"}


@dataclass(slots=True)
class _Branch:
    """A point as reached over a tie; ``ring`` when the point was shown before."""

    point: str
    name: str
    mark: str
    ring: bool = False
    twigs: list[_Branch] = field(default_factory=list)

    def matters(self, ends: set[str]) -> bool:
        """Whether a wire, or a loop in question, hangs on it."""
        return bool(self.mark) or self.point in ends or any(t.matters(ends) for t in self.twigs)


def draw_text(graph: Graph, hazards: Sequence[Hazard]) -> str:
    """Return one tree for each group of joined points that a wire takes part in."""
    marks = _marks(graph, hazards)
    ends = {end for tie in graph.ties if tie.kind in _LOOSE for end in (tie.a, tie.b)}
    lines: list[str] = []
    seen: set[str] = set()
    starts = [*_FIRST, *(p for p in graph.points if p in ends)]
    for start in dict.fromkeys(starts):
        if start in seen or not (start == EARTH or ends & set(graph.members(start))):
            continue
        root = _Branch(start, "", "")
        _grow(graph, root, marks, seen, set())
        lines += [words_for(start), *_drawn(root, ends | {"unit.chassis"}), ""]
    return "\n".join(lines).rstrip()


def _marks(graph: Graph, hazards: Sequence[Hazard]) -> dict[int, str]:
    marks: dict[int, list[str]] = {}
    for number, hazard in enumerate(hazards, start=1):
        if len(hazard.loop) > 1:
            for edge in edges_in_loop(graph, hazard):
                marks.setdefault(edge, []).append(f"<<{number}: {on_the_loop(hazard)}>>")
    return {edge: " ".join(said) for edge, said in marks.items()}


def _grow(
    graph: Graph, branch: _Branch, marks: dict[int, str], seen: set[str], used: set[int]
) -> None:
    """Walk outwards; a tie back to a point already shown closes a ring, and is said."""
    seen.add(branch.point)
    for number, edge in enumerate(graph.edges):
        if number in used or not isinstance(edge, Tie) or branch.point not in (edge.a, edge.b):
            continue
        used.add(number)
        other = edge.b if edge.a == branch.point else edge.a
        twig = _Branch(other, edge.name, marks.get(number, ""), other in seen)
        branch.twigs.append(twig)
        if not twig.ring:
            _grow(graph, twig, marks, seen, used)


def _drawn(branch: _Branch, ends: set[str], margin: str = "  ") -> list[str]:
    twigs = [twig for twig in branch.twigs if twig.matters(ends)]
    lines = []
    for twig in twigs:
        corner, bar = ("└─", "   ") if twig is twigs[-1] else ("├─", "│  ")
        ring = " (see above)" if twig.ring else ""
        mark = f"  {twig.mark}" if twig.mark else ""
        lines.append(f"{margin}{corner} {words_for(twig.point)}{ring}  [{twig.name}]{mark}")
        lines += _drawn(twig, ends, margin + bar)
    return lines
