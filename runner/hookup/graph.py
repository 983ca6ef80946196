"""The bench as an electrical graph: what is tied to what, and what drives it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from runner.hookup.edges import EARTH, Edge, Source, Tie

__all__ = ["Graph", "Sets", "capital", "points_along", "words_for"]


class Sets:
    """Points that are one and the same electrically (disjoint sets)."""

    def __init__(self, pairs: Iterable[tuple[str, str]] = ()) -> None:
        self._parent: dict[str, str] = {}
        for a, b in pairs:
            self.join(a, b)

    def root(self, point: str) -> str:
        """Return the point that stands for its set."""
        self._parent.setdefault(point, point)
        while self._parent[point] != point:
            self._parent[point] = self._parent[self._parent[point]]
            point = self._parent[point]
        return point

    def join(self, a: str, b: str) -> bool:
        """Make two sets one; False when they were one already."""
        root_a, root_b = self.root(a), self.root(b)
        self._parent[root_a] = root_b
        return root_a != root_b

    def same(self, a: str, b: str) -> bool:
        """Whether two points are in one set."""
        return self.root(a) == self.root(b)


@dataclass(frozen=True)
class Graph:
    """Edges in a fixed order; everything else follows from them."""

    edges: tuple[Edge, ...]

    @cached_property
    def points(self) -> tuple[str, ...]:
        """Every point, in order of first mention, earth first."""
        return tuple(dict.fromkeys([EARTH, *(p for e in self.edges for p in (e.a, e.b))]))

    @cached_property
    def sources(self) -> tuple[Source, ...]:
        """Every source, in order."""
        return tuple(edge for edge in self.edges if isinstance(edge, Source))

    @cached_property
    def ties(self) -> tuple[Tie, ...]:
        """Every hard connection, in order."""
        return tuple(edge for edge in self.edges if isinstance(edge, Tie))

    @cached_property
    def sets(self) -> Sets:
        """Points joined by hard connections."""
        return Sets((tie.a, tie.b) for tie in self.ties)

    def earthed(self, point: str) -> bool:
        """Whether hard connections lead from the point to earth."""
        return self.sets.same(point, EARTH)

    def members(self, point: str) -> tuple[str, ...]:
        """Points in one set with this one."""
        return tuple(p for p in self.points if self.sets.same(p, point))

    def path(self, start: str, end: str, *, over: Iterable[Edge] = ()) -> tuple[Edge, ...] | None:
        """Shortest way over hard connections, then also over the edges given; None without one."""
        neighbours: dict[str, list[tuple[str, Edge]]] = {}
        for edge in (*self.ties, *over):
            neighbours.setdefault(edge.a, []).append((edge.b, edge))
            neighbours.setdefault(edge.b, []).append((edge.a, edge))
        came: dict[str, tuple[str, Edge] | None] = {start: None}
        queue = deque([start])
        while queue and end not in came:
            here = queue.popleft()
            for there, edge in neighbours.get(here, []):
                if there not in came:
                    came[there] = (here, edge)
                    queue.append(there)
        if end not in came:
            return None
        way: list[Edge] = []
        step = came[end]
        while step is not None:
            way.append(step[1])
            step = came[step[0]]
        return tuple(reversed(way))


def points_along(start: str, way: Iterable[Edge]) -> tuple[str, ...]:
    """Points that a path passes, first and last included."""
    points = [start]
    for edge in way:
        points.append(edge.b if edge.a == points[-1] else edge.a)
    return tuple(points)


_UNIT_WORDS = {
    "plus": "the unit's +",
    "minus": "the unit's −",
    "earth": "the unit's earth post",
    "chassis": "the unit's chassis",
    "sense-plus": "the unit's sense +",
    "sense-minus": "the unit's sense −",
    "raw": "the raw rail inside the unit",
    "mains-l": "the line inside the unit",
    "mains-n": "the neutral inside the unit",
    "primary": "the mains side inside the unit",
}
_PART_WORDS = {
    "shell": "screen", "tip": "tip", "hi": "HI", "lo": "LO", "plus": "+", "minus": "−",
    "case": "case", "common": "common", "monitor": "monitor output",
    "monitor-shell": "monitor screen",
}  # fmt: skip


def capital(words: str) -> str:
    """Begin a sentence with these words."""
    return words[:1].upper() + words[1:]


def words_for(point: str) -> str:
    """Return a point's name as a person at the bench would say it."""
    if point == EARTH:
        return "protective earth"
    if point in {"mains.l", "mains.n"}:
        return "the mains line" if point.endswith("l") else "the mains neutral"
    owner, _, rest = point.partition(".")
    if owner == "pc":
        return "the computer's chassis"
    if owner == "unit":
        return _UNIT_WORDS.get(rest) or f"relay coil {rest.removeprefix('coil')} inside the unit"
    channel, _, part = rest.rpartition(".")
    where = f"{owner} {channel}" if channel else owner
    return f"{_PART_WORDS.get(part, part)} of {where}"
