"""Counts the relay operations that changes of set point cost, by what the bench's sensors saw."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from runner.checks.check import Workplace
from runner.checks.points import tap_count
from runner.checks.tap_sensors import (
    WATCH_POLL_S,
    CoilSensor,
    LevelSensor,
    coil_channels,
    power_sensor,
)
from runner.errors import BenchError, InstrumentError

__all__ = ["CHANGES", "Wear"]

CHANGES = "winding-changes"
"""Event: ``count`` operations at one change of set point, and ``by`` which sensor."""


@dataclass(slots=True)
class Wear:
    """Looks on while the set point changes: relay coils where a scope sees them, else the inlet.

    A coil shows chatter too; inlet power shows one change of winding at most, and only under
    load. ``operations`` are those seen so far.
    """

    work: Workplace
    operations: int = 0
    _coils: CoilSensor | None = field(init=False, default=None)
    _power: LevelSensor | None = field(init=False, default=None)
    _stand: tuple[bool, ...] = ()
    _told: bool = False

    def __post_init__(self) -> None:
        work = self.work
        if work.profile.unit.tap_control != "relay":
            return
        channels = coil_channels(work.bench, tap_count(work.profile))
        if work.instruments.scope is not None and channels:
            self._coils = CoilSensor(work.instruments.scope, channels, work.clock)
        else:
            self._power = power_sensor(work)

    @contextmanager
    def counted(self, set_v: float, *, loaded: bool) -> Iterator[None]:
        """Count what a change of set point inside the block costs."""
        if self._coils is not None:
            ready = self._guarded(self._coils)
            yield
            if ready:
                self._write(self._edges(self._coils), "relay coil", set_v)
        elif self._power is not None and loaded:
            before = self._level(self._power)
            yield
            after = self._level(self._power)
            seen = before is not None and after is not None
            self._write(
                abs(self._power.jump(before, after)) if seen else None, self._power.name, set_v
            )
        else:
            yield

    def _write(self, count: int | None, by: str, set_v: float) -> None:
        if count is None:
            return
        self.operations += count
        self.work.log.event(CHANGES, count=count, by=by, set_v=set_v)

    def _guarded(self, coils: CoilSensor) -> bool:
        """Arm on the first coil, which moves at every tap point; the others' states are known."""
        try:
            if not self._stand:
                self._stand = coils.look().state
            return coils.guard(coils.coils[0])
        except (BenchError, InstrumentError) as error:
            return self._blind(str(error))

    def _edges(self, coils: CoilSensor) -> int | None:
        """Edges of the first coil, and of the others at least those that their states show."""
        try:
            self.work.clock.sleep(WATCH_POLL_S)
            edges = coils.edges(coils.coils[0])
            coils.release()
            glance = coils.look()
        except (BenchError, InstrumentError) as error:
            self._blind(str(error))
            return None
        if edges is None or glance.reason is not None:
            self._blind(glance.reason or "no record of the coil came")
            return None
        moved = [a != b for a, b in zip(self._stand, glance.state, strict=False)]
        self._stand = glance.state
        coils.forget()
        return max(edges, int(any(moved[:1]))) + sum(moved[1:])

    def _level(self, power: LevelSensor) -> float | None:
        try:
            return power.settle()
        except (BenchError, InstrumentError) as error:
            self._blind(str(error))
            return None

    def _blind(self, reason: str) -> bool:
        """Say once that changes are not seen; always False."""
        if not self._told:
            self.work.log.event("windings-unseen", reason=reason)
        self._told = True
        self._stand = ()
        return False
