"""What tells that the winding changed, strongest first: relay coil, raw rail, inlet power.

Each sensor gives a level; the probe compares levels. A coil shows the drive (not the contact),
the raw rail and the inlet power show the winding itself. Power is blind without load.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from runner.bench import Bench
from runner.checks.check import Workplace
from runner.clock import Clock
from runner.instruments.roles import Capture, ChannelSetup, Scope, TimebaseSetup, Trigger

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "COIL_SPAN_V",
    "EDGE_V",
    "WATCH_POLL_S",
    "CoilSensor",
    "Glance",
    "LevelSensor",
    "channel_of",
    "coil_channels",
    "count_edges",
    "fetched",
    "power_sensor",
    "raw_sensor",
]

COIL_SPAN_V = 64.0
"""Full scale for a coil: 12, 24 and 48 V coils and their kick fit (common practice)."""
COIL_ON_V = 3.0
"""Least voltage that counts as energised: below any coil's release voltage."""
DWELL_S = 0.3
"""At least three operate times of a usual relay, and settling (common practice)."""
EDGE_S = 0.5
"""Record after the first edge of a guarded coil: chatter of 4 Hz and faster shows in it."""
EDGE_V = 2 * COIL_ON_V
WATCH_POLL_S = 0.6
"""How often a guarded coil is asked for: a little longer than its record."""
LINE_PERIOD_S = 0.025
POLL_S = 0.02
POINTS = 1500
MOST_COILS = 3
POWER_WAIT_S = 1.1
"""Until a mains meter has finished an update that began after the step (common: two a second)."""
LEVEL_JUMP = 0.12
"""Change of a level, above its idle value, that counts as another winding."""
SIGMAS = 6.0


@dataclass(frozen=True, slots=True)
class Glance:
    """What a sensor saw during one dwell: state at its end and changes during it."""

    state: tuple[bool, ...]
    changes: int
    reason: str | None = None


def channel_of(bench: Bench, terminal: str) -> str | None:
    """Return "ch2" for the scope channel whose tip is on this terminal of the unit."""
    found = bench.scope_channel_on(terminal)
    return found.partition(".")[2] if found else None


def coil_channels(bench: Bench, taps: int) -> dict[int, str]:
    """Coil number to scope channel, for the coils that a channel looks at.

    A unit with ``taps`` tap points has no more coils than that, whatever else is wired.
    """
    found = {n: channel_of(bench, f"unit.coil{n}") for n in range(1, min(taps, MOST_COILS) + 1)}
    return {n: channel for n, channel in found.items() if channel}


class CoilSensor:
    """Looks at the wired coils: all of them for one dwell, or one of them until it moves."""

    def __init__(self, scope: Scope, channels: dict[int, str], clock: Clock) -> None:
        self._scope = scope
        self._channels = channels
        self._clock = clock
        self._ready = False

    @property
    def coils(self) -> tuple[int, ...]:
        """Numbers of the coils it sees."""
        return tuple(self._channels)

    def forget(self) -> None:
        """Set the scope up again at the next glance: somebody else has used it."""
        self._ready = False

    def look(self) -> Glance:
        """Watch all coils for one dwell and say how they stand at its end."""
        if not self._ready:
            self._scope.setup(self._setups(), _record(DWELL_S), Trigger("line"))
            self._ready = True
        self._scope.arm()
        self._clock.sleep(DWELL_S + LINE_PERIOD_S)
        captures = fetched(self._scope, self._clock, DWELL_S)
        states, changes = [], 0
        for channel in self._channels.values():
            capture = captures.get(channel)
            if capture is None or not capture.valid:
                why = capture.reason if capture is not None else "no record came"
                return Glance((), 0, f"coil on {channel}: {why}")
            on = _energised(capture)
            states.append(bool(on[-1]))
            changes += int((on[1:] != on[:-1]).sum())
        return Glance(tuple(states), changes)

    def guard(self, coil: int, record_s: float = EDGE_S) -> bool:
        """Arm on any edge of this coil; False when no channel looks at it."""
        channel = self._channels.get(coil)
        if channel is None:
            return False
        self.forget()
        self._scope.setup(self._setups(), _record(record_s), Trigger(channel, "either", EDGE_V))
        self._scope.arm()
        return True

    def moved(self) -> bool:
        """Whether the guarded coil has moved; what :meth:`last` then returns is fresh."""
        return self._scope.triggered()

    def last(self, coil: int) -> Capture | None:
        """Return the record of a coil that has moved."""
        return self._scope.fetch().get(self._channels[coil])

    def edges(self, coil: int) -> int | None:
        """Edges since :meth:`guard`, as far as one record shows; None when it gave none."""
        if not self.moved():
            return 0
        capture = self.last(coil)
        if capture is None or not capture.valid:
            return None
        on = _energised(capture)
        return max(1, int((on[1:] != on[:-1]).sum()))

    def fetch(self) -> dict[str, Capture]:
        """Return the records of all channels that were armed, by channel."""
        return self._scope.fetch()

    def release(self) -> None:
        """Give up what was armed."""
        self._scope.stop()

    def _setups(self) -> list[ChannelSetup]:
        spans = (COIL_SPAN_V, COIL_SPAN_V / 4)
        return [ChannelSetup(channel, *spans) for channel in self._channels.values()]


def count_edges(
    coils: CoilSensor, clock: Clock, coil: int, dwell_s: float, most: int
) -> int | None:
    """Hold still for ``dwell_s`` and count edges of one coil; ends early beyond ``most``.

    None when nothing watches that coil.
    """
    if not coils.guard(coil):
        clock.sleep(dwell_s)
        return None
    changes, end_s = 0, clock.mono_s() + dwell_s
    while clock.mono_s() < end_s and changes <= most:
        clock.sleep(WATCH_POLL_S)
        edges = coils.edges(coil)
        if edges:
            changes += edges
            coils.guard(coil)
    coils.release()
    return changes


def _record(duration_s: float) -> TimebaseSetup:
    return TimebaseSetup(duration_s, POINTS, pre_fraction=0.0)


def fetched(scope: Scope, clock: Clock, patience_s: float) -> dict[str, Capture]:
    """Fetch what was armed, with a little patience; nothing when no trigger came."""
    give_up_s = clock.mono_s() + patience_s
    while not scope.triggered():
        if clock.mono_s() > give_up_s:
            scope.stop()
            return {}
        clock.sleep(POLL_S)
    return scope.fetch()


def _energised(capture: Capture) -> NDArray[np.bool_]:
    """Boolean row: coil on; a hysteresis of a third keeps contact noise and kick out."""
    import numpy as np

    high = max(COIL_ON_V, float(np.percentile(np.abs(capture.v), 95)) * 0.5)
    magnitude = np.abs(capture.v)
    decided = np.where(magnitude > high, 1, np.where(magnitude < high / 3, 0, -1))
    known = np.flatnonzero(decided >= 0)
    if known.size == 0:
        return np.zeros(magnitude.size, dtype=bool)
    filled = decided[known[np.searchsorted(known, np.arange(decided.size), side="right") - 1]]
    energised: NDArray[np.bool_] = filled > 0
    return energised


class LevelSensor:
    """Compares a level from point to point: inlet power, or the mean of the raw rail.

    ``wait_s`` is how long after a step the level is good; the level with the load off does not
    count as signal.
    """

    def __init__(
        self, name: str, read: Callable[[], float | None], wait_s: float, clock: Clock
    ) -> None:
        self.name = name
        self._read, self._wait_s, self._clock = read, wait_s, clock
        self._idle = 0.0
        self._noise = 0.0
        self.level: float | None = None

    def learn(self) -> None:
        """With the load off: idle level and its scatter."""
        self._clock.sleep(self._wait_s)
        values = [value for value in (self._read() for _ in range(4)) if value is not None]
        if len(values) >= 2:
            self._idle = sum(values) / len(values)
            self._noise = max(values) - min(values)

    def settle(self) -> float | None:
        """Wait until the level belongs to this point; keep it and return it."""
        self._clock.sleep(self._wait_s)
        self.level = self._read()
        return self.level

    def jump(self, before: float | None, after: float | None) -> int:
        """+1 or -1 when the level moved like another winding, 0 when it did not or is unknown."""
        if before is None or after is None:
            return 0
        if abs(after - before) <= max(
            LEVEL_JUMP * max(before - self._idle, 0.0), SIGMAS * self._noise
        ):
            return 0
        return 1 if after > before else -1

    def blind(self, level: float) -> bool:
        """Whether another winding's step from this level could hide in the scatter."""
        return 2 * LEVEL_JUMP * (level - self._idle) < SIGMAS * self._noise


def power_sensor(work: Workplace) -> LevelSensor | None:
    """Inlet power, where a mains meter stands in the unit's lead."""
    meter = work.instruments.mains_meter
    if meter is None:
        return None
    return LevelSensor(
        "inlet power", lambda: meter.read_mains()["inlet-power"].value, POWER_WAIT_S, work.clock
    )


def raw_sensor(work: Workplace) -> LevelSensor | None:
    """Mean of the raw rail, where a scope channel looks at it."""
    scope, channel = work.instruments.scope, channel_of(work.bench, "unit.raw")
    if scope is None or channel is None:
        return None
    span_v = 4 * work.profile.unit.voltage.high + 20

    def read() -> float | None:
        scope.setup(
            [ChannelSetup(channel, span_v, span_v / 4)],
            TimebaseSetup(0.1, 1000, pre_fraction=0.0),
            Trigger("line"),
        )
        capture = scope.capture(timeout_s=5.0).get(channel)
        return None if capture is None or not capture.valid else float(capture.v.mean())

    return LevelSensor("raw rail", read, DWELL_S, work.clock)
