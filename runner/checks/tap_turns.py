"""The tap map of a unit with a knob: slow turns by hand, watched by meter, coil and scope."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from runner.checks.check import Workplace
from runner.checks.points import allowed_load_a, full_load_a, tap_count
from runner.checks.stepping import load_of, loaded, meter_of, start
from runner.checks.tap_change import CHANGES_MOST, DWELL_S, compare_sensors, keep_change
from runner.checks.tap_map_findings import GIVEN_UP
from runner.checks.tap_pass import LOWEST_V, Turn, Turner
from runner.checks.tap_ramp import ramp_load
from runner.checks.tap_search import match_taps
from runner.checks.tap_sensors import CoilSensor, coil_channels, count_edges, power_sensor
from runner.checks.turn_events import Crossing, crossing
from runner.errors import BenchError, PersonWantsError
from runner.operator.requests import Watcher

__all__ = ["enough", "map_by_hand"]

SHARES = (0.5, 0.03, 1.0)
PASSES, MOST_PASSES = 5, 12
"""Good passes each way, at each load: so many at least (common practice), and more, up to the
second number, while they scatter."""
SCATTER_V = 4e-3
"""Passes scatter no longer when the 95 % interval of their mean is no wider than this either
way: a remote search knows a point to half its last step of 5 mV, and the hand shall not be
three times as uncertain."""
SEEK_RATE_V_PER_S = 0.5
SLOW_RATE_V_PER_S = 0.05
AROUND_V = 0.25
"""How far from the point a slow turn begins; it may go twice as far beyond it."""
BELOW_V = 0.03
"""How far below the rising point the load is raised: as near as a hand comes."""
CLEAR_V = 1.2
"""How far back the knob goes so that the other winding is surely connected."""
TRIES = 4
"""Turns for each pass that is wanted."""
HANDS_OFF = f"hand off the knob for {DWELL_S:.0f} s; a bell tells when it is over"
RESTLESS_MOST = 4
"""So often in a row the output may keep moving with the knob left alone."""
POINT_S = 900.0
"""Bench time for the passes of one point at one load: three times what a slow hand needs."""


@dataclass(frozen=True, slots=True)
class _Place:
    """One tap point at one load: rough rising and falling voltage, V, and the load, A."""

    tap: int
    up_v: float
    down_v: float
    share: float
    load_a: float

    def near_v(self, direction: str) -> float:
        """Where the winding changes."""
        return self.up_v if direction == "rising" else self.down_v

    def clear_v(self, direction: str) -> float:
        """Where the winding before that change is surely connected."""
        return self.down_v - CLEAR_V if direction == "rising" else self.up_v + CLEAR_V


def map_by_hand(work: Workplace) -> None:
    """Find each tap point roughly, then by slow turns at three loads."""
    taps = work.profile.tap_points
    scope, channels = work.instruments.scope, coil_channels(work.bench, tap_count(work.profile))
    if taps is None or scope is None or not channels:
        raise BenchError("the tap map by hand needs a scope channel on a relay coil")
    start(work)
    turner = Turner(work, CoilSensor(scope, channels, work.clock), power_sensor(work))
    if turner.power is not None:
        turner.power.learn()
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
            for coil, (up_v, down_v) in list(found.items()):
                if not _tap_point(turner, _Place(coil, up_v, down_v, share, load_a)):
                    del found[coil]  # the knob is no better at another load
    work.log.event("relay-operations", count=turner.operations, most=turner.most)


def _rough(turner: Turner, coil: int, nominal_v: float) -> tuple[float, float] | None:
    """One quick turn each way over the neighbourhood, else over the whole range."""
    for from_v, to_v in (
        (nominal_v - CLEAR_V, nominal_v + CLEAR_V),
        (LOWEST_V, turner.top_v),
    ):
        up_v = turner.turn(coil, from_v, nominal_v, to_v, SEEK_RATE_V_PER_S).at_v
        if up_v is None:
            continue
        down_v = turner.turn(coil, up_v + 0.2, nominal_v, from_v, SEEK_RATE_V_PER_S).at_v
        return up_v, up_v if down_v is None else down_v
    return None


def _tap_point(turner: Turner, place: _Place) -> bool:
    """All there is to do at one tap point and one load; False when it had to be given up."""
    work = turner.work
    if not _passes(turner, place, 1 if work.quick else PASSES):
        return False
    if place.share == SHARES[0] and turner.operations <= turner.most:
        chatters = _dwell(turner, place)
        if not (work.quick or chatters):
            turner.ready(place.tap, place.clear_v("rising"), rising=True)
            turner.go(place.up_v - BELOW_V)
            turner.operations += ramp_load(work, turner.coils, place.tap, place.load_a)
            turner.unsure(place.tap)
    return True


def _passes(turner: Turner, place: _Place, wanted: int) -> bool:
    """Good passes both ways; a turn that hesitates or goes back at the change is thrown away.

    Returns False when they were given up for a knob that does not rest, or for the time.
    """
    seen: dict[str, list[float]] = {"rising": [], "falling": []}
    because = dict.fromkeys(seen, "")
    log, at = turner.work.log, {"tap": place.tap, "share": place.share}
    turner.restless, end_s = 0, turner.work.clock.mono_s() + POINT_S
    for _ in range(TRIES * wanted):
        for direction, volts in seen.items():
            if enough(volts, wanted):
                continue
            if turner.operations > turner.most:
                log.event("relay-cap", **at)
                return True
            why = _hopeless(turner, place, end_s)
            if why:
                log.event(GIVEN_UP, direction=direction, wanted=wanted, reason=why, **at)
                return all(len(volts) >= wanted for volts in seen.values())
            passed = _one_pass(turner, place, direction, len(volts) + 1, because[direction])
            if isinstance(passed, str):
                log.event("turn-thrown-away", reason=passed, direction=direction, **at)
                because[direction] = f"That turn does not count: {passed}. Once more."
            else:
                volts.append(passed)
                because[direction] = ""
        if all(enough(volts, wanted) for volts in seen.values()):
            return True
    for direction, volts in seen.items():
        if not volts:
            log.event("tap-not-found", direction=direction, run=1, **at)
    return True


def _hopeless(turner: Turner, place: _Place, end_s: float) -> str:
    """Why further turns at this point are in vain; empty when they are not."""
    near = f"near {place.up_v:.3g} V"
    if turner.restless >= RESTLESS_MOST:
        return (
            f"the output does not come to rest {near} with the knob left alone: clean or replace"
            " the potentiometer, then map again"
        )
    if turner.work.clock.mono_s() > end_s:
        return (
            f"too few good turns {near} in {POINT_S / 60:.0f} minutes: turn more slowly and"
            " evenly, or replace a knob that does not let you"
        )
    return ""


def enough(volts: Sequence[float], wanted: int) -> bool:
    """Whether there are passes enough, and their mean is known well enough."""
    from runner.metrology.coverage import t_factor
    from runner.metrology.repeats import standard_deviation

    n = len(volts)
    if n < 2 or n < wanted:
        return n >= wanted
    mean_u_v = standard_deviation(volts) / math.sqrt(n)
    return n >= MOST_PASSES or t_factor(0.95, n - 1) * mean_u_v <= SCATTER_V


def _dwell(turner: Turner, place: _Place) -> bool:
    """As near to each point as the hand comes: does it hold still there? True when it chatters."""
    work, chatters = turner.work, False
    for direction in ("rising", "falling"):
        turner.ready(place.tap, place.clear_v(direction), rising=direction == "rising")
        turner.go(place.near_v(direction))
        begun_s = work.clock.mono_s()
        at_v = meter_of(work).read_volts().value
        if isinstance(work.operator, Watcher):
            work.operator.watch(HANDS_OFF)
        changes = count_edges(turner.coils, work.clock, place.tap, DWELL_S, CHANGES_MOST)
        if isinstance(work.operator, Watcher):
            work.operator.heard()
        turner.operations += 1 + (changes or 0)
        turner.unsure(place.tap)
        chatters = chatters or (changes or 0) > CHANGES_MOST
        work.log.event(
            "dwell", tap=place.tap, share=place.share, direction=direction,
            at_v=place.near_v(direction) if at_v is None else at_v, offset_v=0.0,
            seconds=work.clock.mono_s() - begun_s, changes=changes or 0,
            chatter=(changes or 0) > CHANGES_MOST, watched=changes is not None,
        )  # fmt: skip
    return chatters


def _one_pass(turner: Turner, place: _Place, direction: str, run: int, because: str) -> float | str:
    """One slow turn through the point; the output at the change, V, or why it does not count."""
    way = 1 if direction == "rising" else -1
    near_v, tap = place.near_v(direction), place.tap
    turner.ready(tap, place.clear_v(direction), rising=way > 0)
    try:
        turn = turner.turn(
            tap, near_v - way * AROUND_V, near_v, near_v + way * 2 * AROUND_V, SLOW_RATE_V_PER_S,
            because, with_power=run == 1,
        )  # fmt: skip
    except PersonWantsError as wanted:
        turner.unsure(tap)
        if wanted.wish == "skip":
            raise
        return "it was wanted again"
    if turn.when is None:
        turner.unsure(tap)
        return "the winding did not change"
    keep_change(turner.work, turn.captures, tap, place.share, direction, set_v=near_v, run=run)
    if run == 1 and turner.power is not None:
        compare_sensors(
            turner.work, turner.power, turn.power_before_w, way,
            tap=tap, share=place.share, direction=direction,
        )  # fmt: skip
    seen = crossing(turn.track, *turn.when, SLOW_RATE_V_PER_S)
    if isinstance(seen, str):
        return seen
    _write(turner.work, turn, seen, place, direction, run)
    return seen.volts


def _write(
    work: Workplace, turn: Turn, seen: Crossing, place: _Place, direction: str, run: int
) -> None:
    """Write down one pass that counts."""
    latest_s = turn.when[1] if turn.when is not None else 0.0
    nearest = min(turn.readings, key=lambda one: abs(one.t_mono_s - latest_s))
    where: dict[str, float | str] = {
        "tap": place.tap, "share": place.share, "direction": direction, "run": run,
    }  # fmt: skip
    work.log.reading(nearest, **where)
    work.log.event(
        "tap-change",
        load_a=place.load_a,
        output_v=seen.volts,
        step_v=0.0,
        between_v=seen.between_v,
        rate_v_per_s=seen.rate_v_per_s,
        latency_s=0.0,
        sensor="relay coil",
        reading={**nearest.to_dict(), "value": seen.volts},
        **where,
    )
