"""Goes to a voltage and says which winding is connected there, from all sensors on the bench."""

from __future__ import annotations

from runner.checks.check import Workplace
from runner.checks.points import tap_count
from runner.checks.stepping import FAST_NPLC, meter_of, range_for
from runner.checks.tap_search import Seen
from runner.checks.tap_sensors import (
    DWELL_S,
    CoilSensor,
    Glance,
    LevelSensor,
    coil_channels,
    count_edges,
    power_sensor,
    raw_sensor,
)
from runner.reading import Reading

__all__ = ["TapProbe"]

LOOKS = 3
"""How often the coils are looked at where no record comes."""

State = tuple[tuple[bool, ...], int]
"""Coils as they stand, and how often a level jumped without a coil having moved."""


class TapProbe:
    """Moves the output step by step and keeps count of windings and relay operations.

    The index of the winding is learned while rising: each new state of the sensors is one
    winding higher. That holds for relays in series and for binary weighted windings alike.
    """

    def __init__(self, work: Workplace, taps: int) -> None:
        self._work = work
        scope, channels = work.instruments.scope, coil_channels(work.bench, tap_count(work.profile))
        self.coils = (
            CoilSensor(scope, channels, work.clock) if scope is not None and channels else None
        )
        self.power = power_sensor(work)
        self._level = self._level_sensor(taps)
        self._coil_state: tuple[bool, ...] = ()
        self._jumps = 0
        self._index: dict[State, int] = {}
        self._winding = 0
        self._last_v: float | None = None
        self.operations = 0
        self.readings: dict[float, Reading] = {}
        self.troubles: list[str] = []

    def _level_sensor(self, taps: int) -> LevelSensor | None:
        """Return the level needed beside the coils: none when a channel looks at every coil."""
        if self.coils is not None and len(self.coils.coils) >= taps:
            return None
        return raw_sensor(self._work) or self.power

    @property
    def sensors(self) -> list[str]:
        """Names of the sensors that decide, strongest first."""
        coils = [f"coil {n}" for n in self.coils.coils] if self.coils is not None else []
        return coils + ([self._level.name] if self._level is not None else [])

    @property
    def sees_chatter(self) -> bool:
        """Whether something fast enough to count chatter is watched."""
        return self.coils is not None

    def learn(self) -> None:
        """With the load off: what the levels are worth."""
        for level in {id(one): one for one in (self.power, self._level) if one}.values():
            level.learn()

    def begin(self, volts: float, top_v: float) -> None:
        """Go below the first tap point, and take what is there for winding 0.

        The meter is put on the range that holds ``top_v``, where it stays.
        """
        range_for(meter_of(self._work), top_v, FAST_NPLC)
        self._index.clear()
        self._jumps, self._last_v = 0, None
        glance = self._go_and_look(volts)
        self._coil_state = glance.state
        if self._level is not None:
            self._level.settle()
        self._winding = 0
        self._index[self._coil_state, 0] = 0

    def rest_at(self, volts: float) -> None:
        """Go below the first tap point once more: winding 0, whatever the levels did meanwhile."""
        self._note(self._go_and_look(volts), rising=False)
        self._jumps = 0
        self._winding = self._index.setdefault((self._coil_state, 0), 0)

    def move(self, volts: float) -> Seen:
        """Go there, dwell, read; see :class:`~runner.checks.tap_search.Seen`."""
        rising = self._last_v is None or volts >= self._last_v
        glance = self._go_and_look(volts)
        reading = meter_of(self._work).read_volts()
        self.readings[volts] = reading
        self._note(glance, rising)
        measured_v = reading.value if reading.value is not None else volts
        return Seen(measured_v, self._winding, glance.changes, chatter=glance.changes >= 2)

    def watch(self, coil: int, dwell_s: float, changes_most: int) -> int | None:
        """Hold still and count changes of one coil; ends early beyond ``changes_most``.

        None when nothing watches that coil. Operations are counted.
        """
        if self.coils is None:
            self._work.clock.sleep(dwell_s)
            return None
        changes = count_edges(self.coils, self._work.clock, coil, dwell_s, changes_most)
        self.operations += changes or 0
        return changes

    def _go_and_look(self, volts: float) -> Glance:
        self._work.output.set_voltage(volts)
        self._last_v = volts
        if self.coils is None:
            self._work.clock.sleep(DWELL_S)
            return Glance((), 0)
        glance = self.coils.look()
        for _ in range(LOOKS - 1):  # taken for unchanged, a lost look would move the tap point
            if glance.reason is None:
                break
            glance = self.coils.look()
        if glance.reason is not None and glance.reason not in self.troubles:
            self.troubles.append(glance.reason)
        return glance

    def _note(self, glance: Glance, rising: bool) -> None:
        """Bring winding and operations up to date."""
        coils = glance.state if glance.reason is None else self._coil_state
        moved = coils != self._coil_state
        self.operations += max(glance.changes, int(moved))
        self._coil_state = coils
        jump = 0
        if self._level is not None:
            before = self._level.level
            jump = self._level.jump(before, self._level.settle())
        if jump and not moved:
            self._jumps += jump
            self.operations += 1
        state = (self._coil_state, self._jumps)
        if state not in self._index:
            self._index[state] = self._winding + (1 if rising else -1)
        self._winding = self._index[state]
