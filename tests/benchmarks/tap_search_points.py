"""Points the adaptive tap search needs, over those of a plain staircase at equal resolution."""

from __future__ import annotations

from runner.checks.tap_coarse import coarse_scan
from runner.checks.tap_map import COARSE_V, STEPS_V
from runner.checks.tap_search import Seen, search_pair, staircase_points

__all__ = ["measure"]

LOW_V, HIGH_V = 1.0, 24.0
UP_V, DOWN_V = 12.4567, 11.8765


def measure() -> dict[str, float]:
    """Return ``tap_search_points_over_staircase`` for one tap point of a 24 V unit, both ways."""
    points, winding = 0, 0

    def move(volts: float) -> Seen:
        nonlocal points, winding
        points += 1
        winding = 1 if volts > (DOWN_V if winding else UP_V) else 0
        return Seen(volts, winding)

    for place in coarse_scan(move, LOW_V, HIGH_V, COARSE_V):
        move(place.rising.home_v)
        search_pair(move, place.rising, place.falling, STEPS_V)
    staircase = staircase_points(LOW_V, HIGH_V, STEPS_V[-1])
    return {"tap_search_points_over_staircase": points / staircase}
