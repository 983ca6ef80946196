"""Reads one row from all instruments of a soak; a silent one costs its value, not the night."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from runner.checks.check import Workplace
from runner.checks.stepping import load_of, meter_of
from runner.errors import BenchError
from runner.instruments.roles import LoadState
from runner.reading import Reading

__all__ = ["Column", "Row", "Sampler", "Source"]

RETRY_S = 10.0
"""How long a silent instrument is left alone before it is asked again."""
STATE_EVERY_S = 5.0


@dataclass(frozen=True, slots=True)
class Column:
    """What one place of a row holds."""

    quantity: str
    unit: str
    instrument: str
    function: str


@dataclass(slots=True)
class Source:
    """One instrument of the row: how it is read, and since when it has been silent.

    ``needed``: the soak cannot go on without it for longer than the rules allow.
    """

    name: str
    columns: tuple[Column, ...]
    read: Callable[[], list[Reading]]
    needed: bool = False
    heard_s: float | None = None
    silent: bool = False
    again_s: float = float("-inf")


@dataclass(slots=True)
class Row:
    """One row: a reading a column, None where it was not its turn."""

    readings: list[Reading | None]
    state: LoadState | None = None

    def value(self, index: int | None) -> float | None:
        """Value of a column, None when it has none."""
        reading = self.readings[index] if index is not None else None
        return None if reading is None else reading.value


@dataclass(slots=True)
class Sampler:
    """All sources. ``tell`` is called when an instrument falls silent or is heard again."""

    work: Workplace
    sources: list[Source]
    tell: Callable[[str, str, str], None]
    columns: tuple[Column, ...] = ()
    _state_due_s: float = float("-inf")
    _index: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, work: Workplace, tell: Callable[[str, str, str], None]) -> Sampler:
        """Make the sources that this bench has."""
        sources = _sources(work)
        columns = tuple(column for source in sources for column in source.columns)
        made = cls(work, sources, tell, columns)
        made._index = {column.quantity: i for i, column in enumerate(columns)}
        now_s = work.clock.mono_s()
        for source in sources:
            source.heard_s = now_s
        return made

    def index(self, quantity: str) -> int | None:
        """Return the column of a quantity, None when the bench cannot read it."""
        return self._index.get(quantity)

    def row(self) -> Row:
        """Read all sources whose turn it is."""
        readings: list[Reading | None] = []
        for source in self.sources:
            readings += self._one(source)
        return Row(readings, self._state())

    def lost_s(self) -> dict[str, float]:
        """Seconds since each silent instrument that is needed was last heard."""
        now_s = self.work.clock.mono_s()
        return {
            source.name: now_s - (source.heard_s or 0.0)
            for source in self.sources
            if source.needed and source.silent
        }

    def heard(self) -> dict[str, float]:
        """Seconds since each instrument was last heard."""
        now_s = self.work.clock.mono_s()
        return {s.name: round(now_s - (s.heard_s or now_s), 3) for s in self.sources}

    def _one(self, source: Source) -> list[Reading | None]:
        now_s = self.work.clock.mono_s()
        if source.silent and now_s < source.again_s:
            return [None] * len(source.columns)
        try:
            found = source.read()
        except BenchError as error:
            return self._silent(source, str(error))
        if all(reading.value is None for reading in found) and any(found):
            self._fell_silent(source, found[0].reason or "no value", retry=False)
        else:
            self._heard(source)
        by_name = {reading.quantity: reading for reading in found}
        return [by_name.get(column.quantity) for column in source.columns]

    def _silent(self, source: Source, reason: str) -> list[Reading | None]:
        self._fell_silent(source, reason, retry=True)
        now_s = self.work.clock.mono_s()
        return [
            Reading(
                column.quantity, None, column.unit, source.name, "", reason=reason, t_mono_s=now_s
            )
            for column in source.columns
        ]

    def _fell_silent(self, source: Source, reason: str, *, retry: bool) -> None:
        if not source.silent:
            self.tell("silent", source.name, reason)
        source.silent = True
        if retry:
            source.again_s = self.work.clock.mono_s() + (1.0 if source.needed else RETRY_S)

    def _heard(self, source: Source) -> None:
        if source.silent:
            self.tell("heard-again", source.name, "")
        source.silent = False
        source.heard_s = self.work.clock.mono_s()

    def _state(self) -> LoadState | None:
        load_source = next((s for s in self.sources if s.name == "load"), None)
        now_s = self.work.clock.mono_s()
        if load_source is None or load_source.silent or now_s < self._state_due_s:
            return None
        self._state_due_s = now_s + STATE_EVERY_S
        try:
            return load_of(self.work).state()
        except BenchError as error:
            self._fell_silent(load_source, str(error), retry=True)
            return None


def _sources(work: Workplace) -> list[Source]:
    meter, load = meter_of(work), load_of(work)
    found = [
        Source(
            "meter", (Column("output-voltage", "V", meter.name, "dc-volts"),),
            lambda: [meter.read_volts()], needed=True,
        ),
        Source(
            "load", (Column("load-current", "A", load.name, "dc-amps"),),
            lambda: [load.read_amps()], needed=True,
        ),
    ]  # fmt: skip
    mains, thermometer = work.instruments.mains_meter, work.instruments.thermometer
    if mains is not None:
        columns = (
            Column("line-voltage", "V", mains.name, "line-volts"),
            Column("inlet-power", "W", mains.name, "line-watts"),
        )
        found.append(Source("mains-meter", columns, lambda: list(mains.read_mains().values())))
    if thermometer is not None:
        column = Column("heatsink-temperature", "°C", thermometer.name, "celsius")
        found.append(Source("thermometer", (column,), lambda: [thermometer.read_celsius()]))
    return found
