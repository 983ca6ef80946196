"""How a check moves from point to point: set, load, wait for rest, see the unit's mode."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from statistics import fmean, pstdev

from runner.checks.check import Workplace
from runner.checks.points import full_load_a
from runner.errors import BenchError, InstrumentError, UnitRefusesError
from runner.instruments.hand import HandMeter
from runner.instruments.roles import Load, Meter
from runner.operator.requests import Watcher

__all__ = [
    "at_rest",
    "go_to",
    "load_of",
    "loaded",
    "meter_of",
    "mode_of",
    "open_current_limit",
    "range_for",
    "start",
]

FAST_NPLC = 1.0
EXACT_NPLC = 10.0
REST_WINDOW_S = 0.2
RETRY_S = 0.02
HOLD_S = 2.0
HOLD_TIMEOUT_S = 60.0
"""How long a knob may take to come to rest after the hand says that it is done."""
LIVE_TIMEOUT_S = 180.0
"""How long a person may take who sees the reading live and says nothing."""
NEAR_PART, NEAR_V = 3e-3, 0.03
"""A knob that rests so near to the target is taken at once, in parts of it or in V."""
LINGER_S = 6.0
"""So long it must be still to be taken further away: nobody fine-tunes for ever."""
ASK_AGAIN_S = 25.0
"""After so long, far from the target and still, a live person is asked again."""
RECENT_READINGS = 50
RESTLESS_S, LIVE_RESTLESS_S = 15.0, 90.0
"""A knob that nobody moves and whose output still jumps is restless after so long: the latter
for a live person, who may be tuning to and fro."""
TREND_SHARE = 0.5
"""Halves of that time whose means differ by more than this share of their scatter: still moving."""
ASKED = 3
"""Times that a person is asked before the knob is taken to be without effect."""
FAR_PART, FAR_V = 0.15, 1.0
"""How far from "about" the output may come to rest, in parts of it or in V."""
SET_TIMEOUT_S = 30.0
"""An unloaded output that is turned down empties its capacitor through the bleeder alone."""
REST_LIMIT_V = 10e-3
"""Rest for reading a set point: at most a tenth of this a second."""
ROOM_IN_RANGE = 1.05
OPEN_LIMITS = (1.1, 1.05, 1.02, 1.0)
"""Current limits to try while voltage is being proved, as shares of the rated current."""
CV_SHARE, CV_FIXED_V = 0.03, 0.1
"""How far the output may lie below the set point and still pass for constant voltage."""


def _held(work: Workplace, asked_v: float) -> tuple[float, bool]:
    """Mean output once the hand has been still, V; of the last seconds, and False, if never."""
    from runner.signals.settling import Hold, StableHold

    still, last_v = StableHold(hold_s=HOLD_S), asked_v
    live = isinstance(work.operator, Watcher)
    begun_s = work.clock.mono_s()
    give_up_s = begun_s + (LIVE_TIMEOUT_S if live else HOLD_TIMEOUT_S)
    recent: deque[float] = deque(maxlen=RECENT_READINGS)
    since_s = begun_s
    whole: list[float] = []
    while work.clock.mono_s() < give_up_s:
        reading = meter_of(work).read_volts()
        if reading.value is None:  # a hand may have gone beyond the range
            range_for(meter_of(work), work.profile.unit.voltage.high, FAST_NPLC)
            work.clock.sleep(RETRY_S)
            continue
        recent.append(reading.value)
        whole.append(reading.value)
        if work.clock.mono_s() - since_s >= (LIVE_RESTLESS_S if live else RESTLESS_S):
            if _jumps_about(whole):
                break
            since_s, whole = work.clock.mono_s(), []
        seen = still.add(reading.t_mono_s, reading.value)
        if isinstance(work.operator, Watcher):
            work.operator.watch(f"target {asked_v:.2f} V, now {reading.value:.3f} V")
        if isinstance(seen, Hold) and seen.held:
            waited_s = work.clock.mono_s() - begun_s
            if not live or _taken(seen.mean, asked_v, seen.still_s, waited_s):
                return _accepted(work, seen.mean), True
        last_v = sum(recent) / len(recent)
    work.log.event("restless", set_v=asked_v)
    return _accepted(work, last_v), False


def _jumps_about(volts: list[float]) -> bool:
    """Whether these readings go nowhere: their halves have one mean, for all their scatter."""
    half = len(volts) // 2
    if half < RECENT_READINGS:
        return False
    moved_v = abs(fmean(volts[half:]) - fmean(volts[:half]))
    return moved_v <= TREND_SHARE * pstdev(volts)


def _taken(held_v: float, asked_v: float, still_s: float, waited_s: float) -> bool:
    """Whether a live person has arrived: near enough, or long still, or long away from it."""
    miss_v = abs(held_v - asked_v)
    if miss_v <= max(NEAR_PART * asked_v, NEAR_V):
        return True
    if miss_v <= max(FAR_PART * asked_v, FAR_V):
        return still_s >= LINGER_S * (1 - 1e-9)
    return waited_s >= ASK_AGAIN_S


def _accepted(work: Workplace, held_v: float) -> float:
    if isinstance(work.operator, Watcher):
        work.operator.heard()
    return held_v


def _turned(work: Workplace, asked_v: float, on_rest: Callable[[bool], None]) -> float:
    """Ask for a voltage until the output comes to rest near it; where it rests, V."""
    held_v: float | None = None
    for _ in range(ASKED):
        work.output.set_voltage(asked_v, stands_at_v=held_v)
        held_v, rested = _held(work, asked_v)
        on_rest(rested)
        if abs(held_v - asked_v) <= max(FAR_PART * asked_v, FAR_V):
            return held_v
    raise UnitRefusesError(
        "output follows the knob",
        f"asked for about {asked_v:.2f} V {ASKED} times, the output came to rest at"
        f" {held_v:.2f} V; the knob may be without effect",
    )


def meter_of(work: Workplace) -> Meter:
    """Return the meter; the plan has made sure that there is one."""
    if work.instruments.meter is None:
        raise BenchError("this check needs a meter on the unit's output")
    return work.instruments.meter


def load_of(work: Workplace) -> Load:
    """Return the load; the plan has made sure that there is one."""
    if work.instruments.load is None:
        raise BenchError("this check needs a load on the unit's output")
    return work.instruments.load


def range_for(meter: Meter, volts: float, nplc: float) -> None:
    """Put the meter on the range that holds this output voltage."""
    meter.set_dc_volts(expect_v=max(0.05, ROOM_IN_RANGE * abs(volts)), nplc=nplc)


def start(work: Workplace) -> None:
    """Load off, current limit open, output on: how every check of voltage begins."""
    if work.instruments.load is not None:
        work.instruments.load.input(False)
    open_current_limit(work)
    work.output.on(True)


def open_current_limit(work: Workplace, *, moved: bool = False) -> None:
    """Open the current limit beyond the rated current, as far as the unit lets it go.

    By hand it is asked for once a run, and again where a check has ``moved`` it: the load
    effect comes first of all loaded checks.
    """
    rated_a = full_load_a(work.profile)
    if work.output.by_hand and "load-effect" in work.earlier and not moved:
        return
    for share in OPEN_LIMITS:
        try:
            work.output.set_current_limit(share * rated_a)
        except InstrumentError:
            if share == OPEN_LIMITS[-1]:
                raise
        else:
            return


def go_to(
    work: Workplace,
    volts: float,
    *,
    settle: bool = True,
    on_rest: Callable[[bool], None] = lambda _rested: None,
) -> float:
    """Go to a set point and wait for rest.

    Returns the abscissa in V: the set value, or where a hand came to rest. ``on_rest`` hears
    whether the hand's output came to rest at all.

    :raises UnitRefusesError: it comes to rest far from what was asked, time and again
    """
    range_for(meter_of(work), volts, FAST_NPLC)
    if work.output.by_hand and settle:
        return _turned(work, volts, on_rest)
    work.output.set_voltage(volts)
    if settle and not at_rest(work, max(REST_LIMIT_V, 1e-3 * abs(volts)), timeout_s=SET_TIMEOUT_S):
        work.log.event("restless", set_v=volts)
    return volts


@contextmanager
def loaded(load: Load, load_a: float) -> Iterator[None]:
    """Draw ``load_a`` inside the block; the input is off again after it, whatever happens."""
    load.set_current(load_a)
    load.input(True)
    try:
        yield
    finally:
        load.input(False)


def at_rest(work: Workplace, limit_v: float, *, timeout_s: float = 5.0) -> bool:
    """Wait until the output moves by less than a tenth of ``limit_v`` in a second (slope rule).

    Returns False when it still moves after ``timeout_s``: a restless unit is a result, not a
    failure of the bench.
    """
    from runner.signals.settling import SettleRule, Settling, State, Verdict

    if isinstance(meter_of(work), HandMeter):
        return True  # a person reads the display once it stands still
    stream = Settling(SettleRule.for_limit(limit_v, window_s=REST_WINDOW_S))
    give_up_s = work.clock.mono_s() + timeout_s
    while work.clock.mono_s() < give_up_s:
        reading = meter_of(work).read_volts()
        if reading.value is None:
            work.clock.sleep(RETRY_S)
            continue
        verdict = stream.add(reading.t_mono_s, reading.value)
        if isinstance(verdict, Verdict) and verdict.state is State.SETTLED:
            return True
    return False


def mode_of(work: Workplace, set_v: float, measured_v: float | None) -> str:
    """Return "cv", "cc", "tripped", "low" or "unknown", asked of whoever can tell.

    "low": nobody says constant current, but the output lies well below its set point.
    """
    load, supply = work.instruments.load, work.instruments.supply
    if load is not None and load.state().tripped:
        return "tripped"
    said = supply.mode() if supply is not None else "unknown"
    if said in {"cc", "off"}:
        return said
    if measured_v is None:
        return "unknown"
    low = measured_v < set_v - CV_SHARE * abs(set_v) - CV_FIXED_V
    return "low" if low else "cv"
