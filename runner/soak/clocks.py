"""Tells a computer that slept from a clock that was set: three clocks held against each other."""

from __future__ import annotations

from dataclasses import dataclass

from runner.clock import Clock

__all__ = ["CLOCK_STEP", "SLEPT", "Clocks", "Jump"]

SLEPT, CLOCK_STEP = "slept", "clock-step"
JUMP_S = 2.0
"""Less than this is the network's own care for the clock, or the time between two questions."""


@dataclass(frozen=True, slots=True)
class Jump:
    """What happened (``SLEPT`` or ``CLOCK_STEP``), by how many seconds, and the sentence."""

    what: str
    seconds: float
    sentence: str


class Clocks:
    """Remembers how the clocks stood to each other; asked at every row."""

    def __init__(self) -> None:
        self._before: tuple[float, float | None, float] | None = None

    def jumps(self, clock: Clock) -> list[Jump]:
        """Return what happened since it was last asked, mostly nothing."""
        before = self._before
        now = self._before = clock.mono_s(), clock.boot_s(), clock.utc().timestamp()
        if before is None:
            return []
        ran_s, wall_s = now[0] - before[0], now[2] - before[2]
        if now[1] is None or before[1] is None:
            return _unseen(wall_s - ran_s)
        passed_s = now[1] - before[1]
        return _slept(passed_s - ran_s) + _set(wall_s - passed_s)


def _slept(seconds: float) -> list[Jump]:
    said = "the computer slept, the dead-man with it: nobody watched the bench"
    return [Jump(SLEPT, seconds, said)] if seconds > JUMP_S else []


def _set(seconds: float) -> list[Jump]:
    if abs(seconds) <= JUMP_S:
        return []
    way = "back" if seconds < 0 else "forward"
    return [Jump(CLOCK_STEP, seconds, f"the clock was set {way}")]


def _unseen(seconds: float) -> list[Jump]:
    """Only a clock that stands asleep is there: forward it may be either, and is no gap."""
    if seconds <= JUMP_S:
        return _set(seconds)
    said = "the computer slept, or its clock was set forward: this system cannot tell which"
    return [Jump(CLOCK_STEP, seconds, said)]
