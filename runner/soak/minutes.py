"""Least, mean and greatest of each column minute by minute. Pure; holds one minute."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["Minutes"]

MINUTE_S = 60.0


class Minutes:
    """Rows in, one summary out each time a minute has passed."""

    def __init__(self, columns: int) -> None:
        self._columns = columns
        self._minute: int | None = None
        self._clear()

    def _clear(self) -> None:
        self._n = [0] * self._columns
        self._sum = [0.0] * self._columns
        self._low: list[float] = [0.0] * self._columns
        self._high: list[float] = [0.0] * self._columns

    def add(self, t_s: float, row: Sequence[float | None]) -> dict[str, object] | None:
        """Add a row; returns the minute before when this row begins a new one."""
        minute = int(t_s // MINUTE_S)
        done = self.finish() if self._minute is not None and minute != self._minute else None
        self._minute = minute
        for i, value in enumerate(row):
            if value is None:
                continue
            if self._n[i] == 0:
                self._low[i] = self._high[i] = value
            elif value < self._low[i]:
                self._low[i] = value
            elif value > self._high[i]:
                self._high[i] = value
            self._n[i] += 1
            self._sum[i] += value
        return done

    def finish(self) -> dict[str, object] | None:
        """Return the minute begun: lists by column, None where nothing was read."""
        if self._minute is None or not any(self._n):
            return None
        seen = self._n
        done: dict[str, object] = {
            "minute": self._minute,
            "n": list(seen),
            "low": [v if n else None for v, n in zip(self._low, seen, strict=True)],
            "mean": [
                float(f"{v / n:.9g}") if n else None for v, n in zip(self._sum, seen, strict=True)
            ],
            "high": [v if n else None for v, n in zip(self._high, seen, strict=True)],
        }
        self._clear()
        self._minute = None
        return done
