"""One slow turn through a tap point by hand: meter, relay coil and scope watch together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from runner.checks.check import Workplace
from runner.checks.stepping import FAST_NPLC, go_to, meter_of, range_for
from runner.checks.tap_change import arm_on_change
from runner.checks.tap_sensors import CoilSensor, LevelSensor
from runner.checks.turn_events import Track, rate_now
from runner.errors import BenchError
from runner.instruments.roles import Capture
from runner.operator.requests import Watcher
from runner.reading import Reading

__all__ = ["LOWEST_V", "Turn", "Turner"]

LOWEST_V = 1.0
TAIL_S = 0.5
LATELY = 100
"""Readings that tell how fast the hand is moving: some seconds."""
PATIENCE, PATIENCE_S = 3.0, 5.0
"""A turn may take so many times as long as asked for, and so much longer."""


@dataclass(frozen=True, slots=True)
class Turn:
    """What was seen during a turn.

    ``when``: earliest and latest moment of the change (s), None when the coil did not move.
    ``power_before_w``: inlet power at the start of the turn, where it was asked for.
    """

    track: Track
    when: tuple[float, float] | None
    readings: list[Reading]
    captures: Mapping[str, Capture] = field(default_factory=dict)
    power_before_w: float | None = None

    @property
    def at_v(self) -> float | None:
        """Output read nearest to the change, V; None when nothing changed."""
        if self.when is None or not self.track.t_s:
            return None
        middle_s = sum(self.when) / 2
        nearest = min(range(len(self.track.t_s)), key=lambda i: abs(self.track.t_s[i] - middle_s))
        return self.track.volts[nearest]


@dataclass(slots=True)
class Turner:
    """One tap map by hand in the making: who turns, which windings stand, what was spent."""

    work: Workplace
    coils: CoilSensor
    power: LevelSensor | None
    operations: int = 0
    restless: int = 0
    """How often in a row the output has not come to rest where the knob was left."""
    _high: dict[int, bool] = field(default_factory=dict)

    @property
    def top_v(self) -> float:
        """Rated voltage."""
        return self.work.profile.unit.voltage.high

    @property
    def most(self) -> float:
        """Relay operations that may be spent."""
        return self.work.profile.limit("tap-wear").limit.at(0.0)

    def go(self, volts: float) -> None:
        """Ask for a voltage in any way the hand likes, inside the range."""
        go_to(self.work, min(self.top_v, max(LOWEST_V, volts)), on_rest=self._rested)

    def _rested(self, rested: bool) -> None:
        self.restless = 0 if rested else self.restless + 1

    def ready(self, coil: int, clear_v: float, *, rising: bool) -> None:
        """See to it that the winding before the change is connected.

        After a pass the other way it is; else the knob goes as far as ``clear_v``.
        """
        if self._high.get(coil) is (not rising):
            return
        self.go(clear_v)
        self.operations += int(coil in self._high)
        self._high[coil] = not rising

    def unsure(self, coil: int) -> None:
        """Forget which winding stands: something else was done, or a change was missed."""
        self._high.pop(coil, None)

    def turn(
        self, coil: int, from_v: float, about_v: float, to_v: float, rate_v_per_s: float,
        because: str = "", *, with_power: bool = False,
    ) -> Turn:  # fmt: skip
        """Go to ``from_v``, then turn slowly to ``to_v`` and watch until the coil has moved.

        The scope looks at the output about ``about_v``. ``because`` is said first.
        """
        self.go(from_v)
        meter, clock, rising = meter_of(self.work), self.work.clock, to_v > from_v
        range_for(meter, self.top_v, FAST_NPLC)
        after_s = arm_on_change(self.work, self.coils, coil, about_v)
        if after_s is None:
            raise BenchError(f"no scope channel looks at relay coil {coil}")
        before_w = self.power.settle() if with_power and self.power is not None else None
        to_v = min(self.top_v, max(0.0, to_v))
        self.work.output.sweep(to_v, rate_v_per_s, because=because)
        give_up_s = clock.mono_s() + PATIENCE * abs(to_v - from_v) / rate_v_per_s + PATIENCE_S
        readings: list[Reading] = []
        when: tuple[float, float] | None = None
        asked_s, end_s = clock.mono_s(), give_up_s
        while clock.mono_s() < end_s:
            readings.append(meter.read_volts())
            if when is None:
                self._show(readings, rate_v_per_s)
            polled_s = clock.mono_s()
            if when is None and self.coils.moved():
                found_s = clock.mono_s()
                when = (asked_s, found_s)
                end_s = found_s + TAIL_S
                self._changed(coil, rising)
            asked_s = polled_s
        captures: Mapping[str, Capture] = {}
        if when is not None:
            captures = self.coils.fetch()
            late_s = max(
                (_complete_after_s(one) for one in captures.values() if one.valid), default=after_s
            )
            when = (when[0] - late_s, when[1] - late_s)
        self.coils.release()
        valid = [one for one in readings if one.value is not None]
        return Turn(_track(valid, rising), when, valid, captures, before_w)

    def _changed(self, coil: int, rising: bool) -> None:
        self.operations += 1
        self._high[coil] = rising
        if isinstance(self.work.operator, Watcher):
            self.work.operator.heard()

    def _show(self, readings: list[Reading], rate_v_per_s: float) -> None:
        """Where the output is and how fast it moves, for whoever turns."""
        if not isinstance(self.work.operator, Watcher) or readings[-1].value is None:
            return
        lately = [one for one in readings[-LATELY:] if one.value is not None]
        rate = abs(rate_now(_track(lately, True)))
        word = "too fast" if rate > 2 * rate_v_per_s else "good" if rate > rate_v_per_s / 4 else ""
        self.work.operator.watch(
            f"now {readings[-1].value:.3f} V, moving {rate:.3f} V/s"
            f" (at most {rate_v_per_s:.2g}) {word}"
        )


def _complete_after_s(capture: Capture) -> float:
    """How long after its trigger a record was complete, s."""
    return capture.t0_s + capture.dt_s * len(capture.v)


def _track(valid: list[Reading], rising: bool) -> Track:
    return Track(
        [one.t_mono_s for one in valid],
        [one.value for one in valid if one.value is not None],
        rising,
    )
