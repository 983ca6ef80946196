"""When a soak must stop: rules that look at each row, each with its debounce. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

__all__ = ["ABORTS", "Debounce", "Seen", "Watchdog", "judge_row"]

OVER_SHARE, UNDER_SHARE, MARGIN_V = 1.05, 0.90, 0.1
LINE_SHARE = 0.1
LOST_S = 60.0
DISK_LEAST_BYTES = 100e6


@dataclass(frozen=True, slots=True)
class Seen:
    """What one row shows. None where it was not read this time or not validly."""

    volts: float | None
    set_v: float
    load_on: bool
    heatsink_c: float | None = None
    line_v: float | None = None
    line_set_v: float | None = None
    tripped: str | None = None
    lost_s: Mapping[str, float] = field(default_factory=dict)
    """Seconds since each silent instrument was last heard; only those that the soak needs."""
    disk_free_bytes: float | None = None
    alarm: bool = False
    """Whether somebody or something beside the bench calls for the end: smoke, heat."""


@dataclass(frozen=True, slots=True)
class Abort:
    """A rule: what it means, how many rows in a row and how long before it acts.

    ``unit`` tells whether the unit is to blame; otherwise it is the bench.
    """

    sentence: str
    rows: int
    for_s: float = 0.0
    unit: bool = True


ABORTS: dict[str, Abort] = {
    "over-voltage": Abort("the output lies more than 5 % above its set point", 2),
    "under-voltage": Abort("the output lies below 90 % of its set point", 3, 1.0),
    "load-tripped": Abort("the load's own protection acted", 1, unit=False),
    "hot": Abort("the heatsink is hotter than allowed", 3, 1.0),
    "line": Abort("the line voltage is out of range", 3, 30.0, unit=False),
    "lost": Abort("an instrument that the soak needs has been silent for a minute", 1, unit=False),
    "disk": Abort("the disk is nearly full", 1, unit=False),
    "alarm": Abort("an alarm beside the bench was raised", 1, unit=False),
}
"""Practice of unattended runs; the figures are common practice."""


def judge_row(seen: Seen, heatsink_max_c: float) -> dict[str, bool]:
    """Which rules this row offends; a rule whose quantity was not read is left out."""
    bad: dict[str, bool] = {
        "load-tripped": seen.tripped is not None,
        "lost": any(seconds > LOST_S for seconds in seen.lost_s.values()),
        "alarm": seen.alarm,
    }
    if seen.volts is not None:
        bad["over-voltage"] = seen.volts > OVER_SHARE * seen.set_v + MARGIN_V
        bad["under-voltage"] = seen.volts < UNDER_SHARE * seen.set_v - MARGIN_V
    if seen.heatsink_c is not None:
        bad["hot"] = seen.heatsink_c > heatsink_max_c
    if seen.line_v is not None and seen.line_set_v is not None:
        bad["line"] = abs(seen.line_v - seen.line_set_v) > LINE_SHARE * seen.line_set_v
    if seen.disk_free_bytes is not None:
        bad["disk"] = seen.disk_free_bytes < DISK_LEAST_BYTES
    return bad


@dataclass(slots=True)
class Debounce:
    """True once a condition has held for ``rows`` rows in a row and for ``for_s`` seconds."""

    rows: int
    for_s: float = 0.0
    _count: int = 0
    _since_s: float = 0.0

    def add(self, now_s: float, bad: bool) -> bool:
        """Add what one row says."""
        if not bad:
            self._count = 0
            return False
        if self._count == 0:
            self._since_s = now_s
        self._count += 1
        return self._count >= self.rows and now_s - self._since_s >= self.for_s


class Watchdog:
    """Debounces all rules over the rows of a soak."""

    def __init__(self, heatsink_max_c: float, but: Sequence[str] = ()) -> None:
        self._heatsink_max_c = heatsink_max_c
        self._rules = {
            name: Debounce(rule.rows, rule.for_s)
            for name, rule in ABORTS.items()
            if name not in but
        }

    def add(self, now_s: float, seen: Seen) -> str | None:
        """Return the name of the first rule that acts on this row."""
        bad = judge_row(seen, self._heatsink_max_c)
        acted = [
            name
            for name, debounce in self._rules.items()
            if name in bad and debounce.add(now_s, bad[name])
        ]
        return acted[0] if acted else None
