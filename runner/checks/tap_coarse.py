"""The coarse staircase over the whole range: how many windings, and roughly where they change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from runner.checks.tap_search import Seen, Window

__all__ = ["Rough", "coarse_scan"]

HOME_V = 0.3
"""How far beyond its rough place a winding is surely connected."""


@dataclass(frozen=True, slots=True)
class Rough:
    """One tap point as the staircase saw it: windows for a finer search, both ways."""

    rising: Window
    falling: Window


@dataclass(frozen=True, slots=True)
class _Change:
    before_v: float
    after_v: float
    before: int
    after: int


def coarse_scan(
    move: Callable[[float], Seen], low_v: float, high_v: float, step_v: float
) -> list[Rough]:
    """Step up and down the range; return the tap points found, rising.

    Several windings passed in one step are taken for tap points that lie within that step.
    """
    up = _changes(move, _staircase(low_v, high_v, step_v))
    down = _changes(move, _staircase(high_v, low_v, step_v))
    found = []
    for home in range(max((change.after for change in up), default=0)):
        rising = _passing(up, home, home + 1)
        falling = _passing(down, home + 1, home)
        if rising is None:
            continue
        bottom_v = falling.after_v if falling is not None else low_v
        top_v = rising.after_v
        fall_from_v = falling.before_v if falling is not None else rising.before_v
        below_v, above_v = max(low_v, bottom_v - HOME_V), min(high_v, top_v + HOME_V)
        found.append(
            Rough(
                Window(rising.before_v, rising.after_v, below_v, home),
                Window(fall_from_v, bottom_v, above_v, home + 1),
            )
        )
    return found


def _staircase(start_v: float, end_v: float, step_v: float) -> list[float]:
    way = 1 if end_v >= start_v else -1
    count = int(abs(end_v - start_v) / step_v)
    points = [round(start_v + way * step_v * i, 9) for i in range(count + 1)]
    return points if abs(points[-1] - end_v) < step_v / 100 else [*points, end_v]


def _changes(move: Callable[[float], Seen], points_v: list[float]) -> list[_Change]:
    changes = []
    before_v, before = points_v[0], move(points_v[0]).winding
    for here_v in points_v[1:]:
        here = move(here_v).winding
        if here != before:
            changes.append(_Change(before_v, here_v, before, here))
        before_v, before = here_v, here
    return changes


def _passing(changes: list[_Change], before: int, after: int) -> _Change | None:
    """First change that leaves ``before``'s side and arrives at ``after``'s side."""
    for change in changes:
        if after > before and change.before <= before and change.after >= after:
            return change
        if after < before and change.before >= before and change.after <= after:
            return change
    return None
