"""Bench time with alarms: things that happen by themselves at a given moment.

A load's protection trips whether or not anybody asks; an alarm carries that out in its right
place between two readings, even when a program sleeps for an hour in one step.
"""

from __future__ import annotations

import heapq
import itertools
import threading
from collections.abc import Callable
from datetime import datetime
from typing import Protocol

from runner.clock import Clock, SystemClock, VirtualClock

__all__ = ["Alarms", "BenchClock", "BenchTime", "PacedClock"]


class Alarms:
    """Actions waiting for their time."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Callable[[], None]]] = []
        self._count = itertools.count()
        self._lock = threading.Lock()

    def at(self, time_s: float, action: Callable[[], None]) -> None:
        """Have `action` run once when bench time reaches `time_s`."""
        with self._lock:
            heapq.heappush(self._heap, (time_s, next(self._count), action))

    def next_s(self) -> float:
        """Time of the earliest alarm, infinity if there is none."""
        with self._lock:
            return self._heap[0][0] if self._heap else float("inf")

    def run_due(self, now_s: float) -> None:
        """Run all that are due."""
        while True:
            with self._lock:
                if not self._heap or self._heap[0][0] > now_s:
                    return
                action = heapq.heappop(self._heap)[2]
            action()


class BenchTime(Clock, Protocol):
    """A clock that also knows alarms and can wait for a moment shared by several threads."""

    alarms: Alarms

    def sleep_until(self, time_s: float) -> None:
        """Let time pass up to this moment, not at all when it is already past."""
        ...


class BenchClock(VirtualClock):
    """Virtual time; sleeping runs the alarms on the way, each at its own moment.

    :param step_from: an ordinary virtual clock's start (UTC) to show
    """

    def __init__(self, start_utc: datetime | None = None) -> None:
        super().__init__(start_utc)
        self.alarms = Alarms()
        self._passing = threading.RLock()
        self._in_alarm = False

    def sleep(self, seconds: float) -> None:
        """Move the clock on at once."""
        if seconds > 0:
            with self._passing:
                self._pass_to(self.mono_s() + seconds)

    def sleep_until(self, time_s: float) -> None:
        """Move the clock on to this moment."""
        with self._passing:
            self._pass_to(time_s)

    def _pass_to(self, end_s: float) -> None:
        while not self._in_alarm and (next_s := self.alarms.next_s()) <= end_s:
            super().sleep(next_s - self.mono_s())
            self._in_alarm = True
            try:
                self.alarms.run_due(self.mono_s())
            finally:
                self._in_alarm = False
        super().sleep(end_s - self.mono_s())


class PacedClock:
    """Real time, or real time sped up by a factor; alarms are run by whoever serves the bench."""

    def __init__(self, speed: float = 1.0, real: Clock | None = None) -> None:
        self._real = real or SystemClock()
        self._speed = speed
        self._start_s = self._real.mono_s()
        self.alarms = Alarms()

    def mono_s(self) -> float:
        """Bench seconds since the start."""
        return (self._real.mono_s() - self._start_s) * self._speed

    def utc(self) -> datetime:
        """Wall time."""
        return self._real.utc()

    def boot_s(self) -> float | None:
        """Asleep it would not serve: nothing is known."""
        return None

    def sleep(self, seconds: float) -> None:
        """Wait."""
        self._real.sleep(seconds / self._speed)

    def sleep_until(self, time_s: float) -> None:
        """Wait for the moment."""
        self.sleep(time_s - self.mono_s())
