"""The tap map of a unit with a knob: slow turns by hand, watched by meter and relay coil."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from runner.checks.check import Workplace
from runner.checks.points import allowed_load_a, full_load_a, tap_count
from runner.checks.stepping import (
    FAST_NPLC,
    go_to,
    load_of,
    loaded,
    meter_of,
    range_for,
    start,
)
from runner.checks.tap_change import CHANGES_MOST, DWELL_S, shoot
from runner.checks.tap_search import match_taps
from runner.checks.tap_sensors import CoilSensor, coil_channels, count_edges
from runner.checks.turn_events import Track, crossing
from runner.errors import BenchError, PersonWantsError
from runner.operator.requests import Watcher
from runner.reading import Reading

__all__ = ["map_by_hand"]

SHARES = (0.5, 0.03, 1.0)
PASSES = 5
"""Good passes wanted each way, at each load."""
SHOT_PATIENCE_S = 40.0
SEEK_RATE_V_PER_S = 0.5
SLOW_RATE_V_PER_S = 0.05
AROUND_V = 0.25
"""How far from the point a slow turn begins; it may go twice as far beyond it."""
CLEAR_V = 1.2
"""How far back the knob goes so that the other winding is surely connected."""
TRIES = 4
"""Turns for each pass that is wanted."""
COIL_RECORD_S = 0.05
TAIL_S = 0.5
LOWEST_V = 1.0
SHARE_OF_CONTACT_LIFE = 300


@dataclass(slots=True)
class _Turner:
    """One tap map by hand in the making."""

    work: Workplace
    coils: CoilSensor
    operations: int = 0

    @property
    def top_v(self) -> float:
        """Rated voltage."""
        return self.work.profile.unit.voltage.high

    def go(self, volts: float) -> None:
        """Ask for a voltage in any way the hand likes, inside the range."""
        go_to(self.work, min(self.top_v, max(LOWEST_V, volts)))

    def turn(
        self, coil: int, from_v: float, to_v: float, rate_v_per_s: float
    ) -> tuple[Track, tuple[float, float] | None, list[Reading]]:
        """Turn slowly and watch; returns the track, when the coil moved, and the readings."""
        self.go(from_v)
        meter, clock = meter_of(self.work), self.work.clock
        range_for(meter, self.top_v, FAST_NPLC)
        if not self.coils.guard(coil, COIL_RECORD_S):
            raise BenchError(f"no scope channel looks at relay coil {coil}")
        self.work.output.sweep(min(self.top_v, max(0.0, to_v)), rate_v_per_s)
        give_up_s = clock.mono_s() + 3 * abs(to_v - from_v) / rate_v_per_s + 5.0
        readings: list[Reading] = []
        when: tuple[float, float] | None = None
        asked_s, end_s = clock.mono_s(), give_up_s
        while clock.mono_s() < end_s:
            reading = meter.read_volts()
            readings.append(reading)
            if when is None and self.coils.moved():
                found_s = clock.mono_s()
                when = (asked_s - COIL_RECORD_S, found_s - COIL_RECORD_S)
                end_s = found_s + TAIL_S
                if isinstance(self.work.operator, Watcher):
                    self.work.operator.heard()
                self.operations += 1
            asked_s = clock.mono_s()
        self.coils.release()
        valid = [one for one in readings if one.value is not None]
        track = Track(
            [one.t_mono_s for one in valid],
            [one.value for one in valid if one.value is not None],
            rising=to_v > from_v,
        )
        return track, when, valid


def map_by_hand(work: Workplace) -> None:
    """Find each tap point roughly, then by slow turns at three loads."""
    taps = work.profile.tap_points
    scope, channels = work.instruments.scope, coil_channels(work.bench, tap_count(work.profile))
    if taps is None or scope is None or not channels:
        raise BenchError("the tap map by hand needs a scope channel on a relay coil")
    start(work)
    turner = _Turner(work, CoilSensor(scope, channels, work.clock))
    work.log.event("sensors", names=[f"coil {n}" for n in channels], sees_chatter=True)
    load = load_of(work)
    load_a = allowed_load_a(load, turner.top_v, SHARES[0] * full_load_a(work.profile))
    with loaded(load, load_a):
        rough = {
            n: _rough(turner, n, taps.up[n - 1].nominal) for n in channels if n <= len(taps.up)
        }
    found = {n: place for n, place in rough.items() if place is not None}
    numbers = match_taps([up for up, _ in found.values()], [t.nominal for t in taps.up])
    work.log.event("windings", found=numbers, expected=len(taps.up))
    shares = SHARES[:1] if work.quick else SHARES
    for number, share in enumerate(shares):
        work.log.progress((number + 1) / (len(shares) + 1), f"slow turns at {share:.0%} load")
        load_a = allowed_load_a(load, turner.top_v, share * full_load_a(work.profile))
        with loaded(load, load_a):
            for coil, (up_v, down_v) in found.items():
                _passes(turner, coil, (up_v, down_v), share, load_a, 1 if work.quick else PASSES)
                if share == SHARES[0]:
                    _record(turner, coil, (up_v, down_v), share)
                    _dwell(turner, coil, (up_v, down_v), share)
    work.log.event("relay-operations", count=turner.operations, most=SHARE_OF_CONTACT_LIFE)


def _rough(turner: _Turner, coil: int, nominal_v: float) -> tuple[float, float] | None:
    """One quick turn each way over the neighbourhood, else over the whole range."""
    for from_v, to_v in (
        (nominal_v - CLEAR_V, nominal_v + CLEAR_V),
        (LOWEST_V, turner.top_v),
    ):
        up, when, _ = turner.turn(coil, from_v, to_v, SEEK_RATE_V_PER_S)
        if when is None:
            continue
        down, back, _ = turner.turn(coil, _at(up, when) + 0.2, from_v, SEEK_RATE_V_PER_S)
        up_v = _at(up, when)
        return up_v, _at(down, back) if back is not None else up_v
    return None


def _at(track: Track, when: tuple[float, float]) -> float:
    """Reading nearest to the moment, V."""
    middle_s = sum(when) / 2
    nearest = min(range(len(track.t_s)), key=lambda i: abs(track.t_s[i] - middle_s))
    return track.volts[nearest]


def _passes(
    turner: _Turner, coil: int, place: tuple[float, float], share: float, load_a: float, wanted: int
) -> None:
    """Good passes both ways; a turn that hesitates or goes back at the change is thrown away."""
    up_v, down_v = place
    good = {"rising": 0, "falling": 0}
    for _ in range(TRIES * wanted):
        if min(good.values()) >= wanted:
            return
        for direction, near_v, clear_v in (
            ("rising", up_v, down_v - CLEAR_V),
            ("falling", down_v, up_v + CLEAR_V),
        ):
            if good[direction] >= wanted:
                continue
            if _one_pass(turner, coil, direction, near_v, clear_v, share, load_a, good[direction]):
                good[direction] += 1
    for direction, count in good.items():
        if count == 0:
            turner.work.log.event(
                "tap-not-found", tap=coil, share=share, direction=direction, run=1
            )


def _record(turner: _Turner, coil: int, place: tuple[float, float], share: float) -> None:
    """One change each way on the scope, at a slow turn."""
    work, (up_v, down_v) = turner.work, place
    for direction, near_v, clear_v in (
        ("rising", up_v, down_v - CLEAR_V),
        ("falling", down_v, up_v + CLEAR_V),
    ):
        way = 1 if direction == "rising" else -1
        turner.go(clear_v)
        turner.go(near_v - way * AROUND_V)
        move = partial(work.output.sweep, near_v + way * 2 * AROUND_V, 2 * SLOW_RATE_V_PER_S)
        shoot(
            work, turner.coils, near_v, move, SHOT_PATIENCE_S,
            tap=coil, share=share, direction=direction,
        )  # fmt: skip
        turner.operations += 1


def _dwell(turner: _Turner, coil: int, place: tuple[float, float], share: float) -> None:
    """As near to each point as the hand comes: does it hold still there?"""
    work, (up_v, down_v) = turner.work, place
    for direction, near_v, clear_v in (
        ("rising", up_v, down_v - CLEAR_V),
        ("falling", down_v, up_v + CLEAR_V),
    ):
        turner.go(clear_v)
        turner.go(near_v)
        begun_s = work.clock.mono_s()
        at_v = meter_of(work).read_volts().value
        changes = count_edges(turner.coils, work.clock, coil, DWELL_S, CHANGES_MOST)
        turner.operations += changes or 0
        work.log.event(
            "dwell", tap=coil, share=share, direction=direction,
            at_v=near_v if at_v is None else at_v, offset_v=0.0,
            seconds=work.clock.mono_s() - begun_s, changes=changes or 0,
            chatter=(changes or 0) > CHANGES_MOST, watched=changes is not None,
        )  # fmt: skip


def _one_pass(
    turner: _Turner, coil: int, direction: str, near_v: float, clear_v: float, share: float,
    load_a: float, done: int,
) -> bool:  # fmt: skip
    way = 1 if direction == "rising" else -1
    turner.go(clear_v)
    log = turner.work.log
    where: dict[str, float | str] = {"tap": coil, "share": share, "direction": direction}
    try:
        track, when, readings = turner.turn(
            coil, near_v - way * AROUND_V, near_v + way * 2 * AROUND_V, SLOW_RATE_V_PER_S
        )
    except PersonWantsError as wanted:
        if wanted.wish == "skip":
            raise
        log.event("turn-thrown-away", reason="the person wanted it again", **where)
        return False
    if when is None:
        log.event("turn-thrown-away", reason="the winding did not change", **where)
        return False
    seen = crossing(track, when[0], when[1], SLOW_RATE_V_PER_S)
    if isinstance(seen, str):
        log.event("turn-thrown-away", reason=seen, **where)
        return False
    nearest = min(readings, key=lambda one: abs(one.t_mono_s - when[1]))
    log.reading(nearest, run=done + 1, **where)
    log.event(
        "tap-change",
        load_a=load_a,
        run=done + 1,
        output_v=seen.volts,
        step_v=0.0,
        between_v=seen.between_v,
        rate_v_per_s=seen.rate_v_per_s,
        latency_s=0.0,
        sensor="relay coil",
        reading={**nearest.to_dict(), "value": seen.volts},
        **where,
    )
    return True
