"""From point to point, back and again as the person at the bench wants it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from runner.checks.check import Workplace
from runner.errors import PersonWantsError
from runner.record.standing import UNDONE

__all__ = ["SKIPPED", "walk"]

PointT = TypeVar("PointT")
SKIPPED = "point-skipped"


def walk(
    work: Workplace,
    points: Sequence[PointT],
    name_of: Callable[[PointT], str],
    measure: Callable[[int, PointT], None],
) -> None:
    """Call ``measure(number, point)`` for each point, in order.

    A wish at a prompt takes back what the point wrote: "again" does it once more, "back" the
    one before, "skip" leaves it out and says so. Names must differ within one check.
    """
    number = 0
    while number < len(points):
        name = name_of(points[number])
        work.log.event("point", point=name)
        try:
            measure(number, points[number])
        except PersonWantsError as wanted:
            if wanted.wish == "back":
                number = max(0, number - 1)
            work.log.line(UNDONE, point=name_of(points[number]), wish=wanted.wish)
            if wanted.wish != "skip":
                continue
            work.log.event(SKIPPED, point=name)
        number += 1
