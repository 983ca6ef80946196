"""The search for a tap point: coarse steps first, then the same point approached again, finer.

A winding changes with hysteresis, so a rising point must be approached from below with the
lower winding connected, a falling one from above with the higher one. Rising and falling are
searched in turn: where one search ends, the winding is already right for the other. The
arithmetic knows no instrument: it is given a function that goes to a voltage and says what it
saw there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

__all__ = [
    "Edge",
    "Move",
    "Pair",
    "Seen",
    "Window",
    "match_taps",
    "narrowed",
    "search_pair",
    "staircase_points",
    "walk",
]

RETREATS = 4
SPILL_STEPS = 6
"""How many steps a search goes on beyond the end of its window before it gives up."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen at one point: measured output (V), winding index, changes on the way."""

    volts: float
    winding: int
    changes: int = 0
    chatter: bool = False


Move = Callable[[float], Seen]
"""Go to a set voltage, dwell, and say what was seen."""


@dataclass(frozen=True, slots=True)
class Window:
    """Where a search starts and where it may end, set voltages in V; falling: start > end.

    ``home_v`` lies so far back that the winding before the change is surely connected there;
    ``home`` is that winding's index.
    """

    start_v: float
    end_v: float
    home_v: float
    home: int

    @property
    def way(self) -> int:
        """+1 rising, -1 falling."""
        return 1 if self.end_v >= self.start_v else -1


@dataclass(frozen=True, slots=True)
class Edge:
    """One change of winding: the last set point before it, the first after it, and step (V)."""

    quiet_v: float
    changed_v: float
    measured_quiet_v: float
    measured_v: float
    step_v: float
    points: int
    chatter: bool = False
    changes: int = 0


@dataclass(frozen=True, slots=True)
class Pair:
    """A tap point both ways, at the finest step; an edge that was not found is None."""

    rising: Edge | None
    falling: Edge | None
    points: int


def walk(move: Move, window: Window, step_v: float) -> Edge | None:
    """Go through the window in steps until the winding has changed in the way of going.

    When it has changed at the very first point already, the start lay too far in: go home, and
    start earlier. None when nothing changes.
    """
    way, points, start_v = window.way, 0, window.start_v
    for retreat in range(RETREATS):
        seen = move(start_v)
        points += 1
        if seen.chatter:
            return Edge(
                start_v, start_v, seen.volts, seen.volts, step_v, points, True, seen.changes
            )
        if way * (seen.winding - window.home) <= 0:
            return _steps(move, window, start_v, seen, step_v, points)
        points += 1
        if move(window.home_v).winding != window.home:
            return None
        back_v = way * step_v * 4.0 ** (retreat + 1)
        start_v = round(max(way * (start_v - back_v), way * window.home_v) * way, 9)
    return None


def _steps(
    move: Move, window: Window, start_v: float, before: Seen, step_v: float, points: int
) -> Edge | None:
    """From a start that is quiet, step by step to the end of the window and a little beyond."""
    way, volts = window.way, start_v
    last_v = window.end_v + way * SPILL_STEPS * step_v
    while way * (last_v - volts) > 0:
        here_v = round(volts + way * step_v, 9)
        seen = move(here_v)
        points += 1
        if seen.chatter or way * (seen.winding - window.home) > 0:
            return Edge(
                volts, here_v, before.volts, seen.volts, step_v, points, seen.chatter, seen.changes
            )
        before, volts = seen, here_v
    return None


def search_pair(move: Move, rising: Window, falling: Window, steps_v: Sequence[float]) -> Pair:
    """Narrow both edges of one tap point, step by step; the winding is low at the beginning."""
    up: Edge | None = None
    down: Edge | None = None
    points = 0
    for step_v in steps_v:
        if up is not None and down is not None:
            rising, falling = narrowed(rising, up, step_v), narrowed(falling, down, step_v)
        up = walk(move, rising, step_v)
        points += up.points if up else 0
        if up is None or up.chatter:
            return Pair(up, None, points)
        down = walk(move, falling, step_v)
        points += down.points if down else 0
        if down is None or down.chatter:
            return Pair(up, down, points)
    return Pair(up, down, points)


def narrowed(window: Window, edge: Edge, margin_v: float) -> Window:
    """Return the window for the next search: from ``margin_v`` before the last quiet point."""
    start_v = round(edge.quiet_v - window.way * margin_v, 9)
    return Window(start_v, edge.changed_v, window.home_v, window.home)


def match_taps(found_v: Sequence[float], expected_v: Sequence[float]) -> list[int]:
    """Tap number (from 1) of each rising point found, in order; the nearest expected, each once.

    With as many found as expected the order decides, however far off they lie.
    """
    if len(found_v) == len(expected_v):
        return list(range(1, len(found_v) + 1))
    best: tuple[float, list[int]] = (float("inf"), [])
    numbers = range(1, len(expected_v) + 1)
    for chosen in combinations(numbers, min(len(found_v), len(expected_v))):
        off_v = sum(abs(v - expected_v[n - 1]) for v, n in zip(found_v, chosen, strict=False))
        best = min(best, (off_v, list(chosen)))
    beyond = range(len(expected_v) + 1, len(found_v) + 1)
    return best[1] + list(beyond)


def staircase_points(low_v: float, high_v: float, step_v: float) -> int:
    """Points of a plain staircase over the range, up and down, at one step: what is saved."""
    return 2 * (round((high_v - low_v) / step_v) + 1)
