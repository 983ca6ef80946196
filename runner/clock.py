"""Time as the program sees it.

Nothing else in the project reads the computer's clock or sleeps: a clock is handed in, so
that a night at the bench can pass in seconds and a test never waits.
"""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

__all__ = ["Clock", "SystemClock", "VirtualClock"]


class Clock(Protocol):
    """What every part of the program may ask of time."""

    def mono_s(self) -> float:
        """Seconds on a clock that never runs backwards; its zero means nothing."""
        ...

    def utc(self) -> datetime:
        """Return the wall time, aware, in UTC."""
        ...

    def boot_s(self) -> float | None:
        """Seconds that run on while the computer sleeps; None where none are to be had.

        What they gain on ``mono_s`` was slept, what ``utc`` gains on them was set by somebody.
        """
        ...

    def sleep(self, seconds: float) -> None:
        """Let this many seconds pass."""
        ...


class SystemClock:
    """The computer's own clock."""

    def mono_s(self) -> float:
        """Seconds since an arbitrary start."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Return the wall time in UTC."""
        return datetime.now(UTC)

    def boot_s(self) -> float | None:
        """CLOCK_BOOTTIME where the system has it (Linux), whose monotonic clock stands asleep."""
        boot = getattr(time, "CLOCK_BOOTTIME", None)
        return None if boot is None else time.clock_gettime(boot)

    def sleep(self, seconds: float) -> None:
        """Block the calling thread."""
        if seconds > 0:
            time.sleep(seconds)


class VirtualClock:
    """A clock that moves only when somebody sleeps on it; safe to share between threads."""

    def __init__(self, start_utc: datetime | None = None) -> None:
        self._start_utc = start_utc or datetime.now(UTC)
        self._elapsed_s = 0.0
        self._lock = threading.Lock()

    def mono_s(self) -> float:
        """Seconds slept on this clock so far."""
        with self._lock:
            return self._elapsed_s

    def utc(self) -> datetime:
        """Start time plus the seconds slept so far."""
        return self._start_utc + timedelta(seconds=self.mono_s())

    def boot_s(self) -> float | None:
        """Nobody sleeps unasked on this clock."""
        return self.mono_s()

    def sleep(self, seconds: float) -> None:
        """Move the clock on at once."""
        if seconds > 0:
            with self._lock:
                self._elapsed_s += seconds
