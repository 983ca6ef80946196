"""Current limit: where it acts, how sharply, and whether the current holds down to a short."""

from __future__ import annotations

import math

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.current_limit_findings import NAME, findings
from runner.checks.points import allowed_load_a, full_load_a, tap_bands
from runner.checks.stepping import (
    at_rest,
    go_to,
    load_of,
    meter_of,
    open_current_limit,
    start,
)
from runner.errors import InstrumentError
from runner.finding import Finding
from runner.instruments.roles import Load
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["CHECK"]

SHARES = (0.1, 0.5, 1.0)
KNEE_POINTS = 15
HALVED = 5
KNEE_HELD = 0.99
KNEE_FROM, KNEE_TO = 1.5, 0.6
"""Load resistance through the knee, as multiples of set voltage over set current."""
READINGS = 5
"""Three of a load whose last digit is as large as its scatter say too little of it."""
HALF = 0.5
STEADY_V = 50e-3
ROOM_ABOVE_V = 0.5
SHORT_S = 1.0
LEAST_V = 2.0


class CurrentLimit:
    """Constant current at half voltage and into a short, at three settings; the knee at one."""

    name = NAME
    title = "Current limit"
    question = "Does the current limit act where it is set, and hold down to a short?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a meter and a programmable load."""
        unit, bench = conditions.profile.unit, conditions.bench
        missing = None
        if bench.by_role("meter") is None or bench.by_role("load") is None:
            missing = "the current limit needs a meter and a programmable load on the output"
        elif bench.by_hand("load"):
            missing = (
                "resistors connected by hand do not reach where the current limit acts:"
                " use a programmable load"
            )
        return Plan(
            duration_s=30.0 if unit.setting == "hand" else 15.0,
            relay_operations=0,
            hands=("current knob",) if unit.setting == "hand" else (),
            dissipation_w=1.5 * _set_v(conditions.profile) * unit.current.high,
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Below the first tap point, so that no relay is worn and little heat is made."""
        start(work)
        set_v = go_to(work, _set_v(work.profile))
        load = load_of(work)
        shares = SHARES[-1:] if work.quick or work.output.by_hand else SHARES
        try:
            full_a = full_load_a(work.profile)
            load.set_resistance(set_v / full_a, expect_a=full_a)
        except InstrumentError as error:
            work.log.event("no-resistance", reason=str(error))
            return
        try:
            for number, share in enumerate(shares):
                work.log.progress(number / (len(shares) + 1), f"limit at {share:.0%}")
                set_a = share * full_load_a(work.profile)
                if set_a > allowed_load_a(load, set_v, set_a):
                    work.log.event("beyond-load", set_a=set_a)
                    continue
                work.output.set_current_limit(set_a)
                _limited(work, load, set_v, set_a)
            _knee(work, load, set_v, shares[-1] * full_load_a(work.profile))
        finally:
            load.input(False)
            open_current_limit(work, moved=True)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.current_limit_findings`."""
        return findings(data, profile)


def _set_v(profile: Profile) -> float:
    """Set point for this check, V: well below the first tap point, else half the rating."""
    bands = tap_bands(profile)
    top_v = profile.unit.voltage.high / 2
    return max(LEAST_V, min(top_v, bands[0].low_v - ROOM_ABOVE_V) if bands else top_v)


def _limited(work: Workplace, load: Load, set_v: float, set_a: float) -> None:
    """At half voltage by resistance, then the load's short."""
    load.set_resistance(HALF * set_v / set_a)
    load.input(True)
    _read(work, load, set_v=set_v, set_a=set_a, into="half voltage")
    try:
        load.short(True)
    except InstrumentError as error:
        work.log.event("no-short", reason=str(error), set_a=set_a)
        load.input(False)
        return
    work.clock.sleep(SHORT_S)
    _read(work, load, set_v=set_v, set_a=set_a, into="short")
    load.short(False)
    load.input(False)


def _read(work: Workplace, load: Load, **at: float | str) -> None:
    if not at_rest(work, STEADY_V):
        work.log.event("restless", **at)
    for _ in range(READINGS):
        work.log.reading(load.read_amps(), **at)
        work.log.reading(meter_of(work).read_volts(), **at)
    supply = work.instruments.supply
    if supply is not None:
        work.log.event("mode", mode=supply.mode(), **at)


def _knee(work: Workplace, load: Load, set_v: float, set_a: float) -> None:
    """Resistance downwards through V/I: how wide the change from voltage to current is.

    The steps are coarser than a sharp knee, so the place where it begins is halved in further.
    """
    critical_ohm = set_v / set_a
    held_ohm: float | None = None
    fallen_ohm: float | None = None
    factor = (KNEE_TO / KNEE_FROM) ** (1 / (KNEE_POINTS - 1))
    load.set_resistance(KNEE_FROM * critical_ohm)
    load.input(True)
    for number in range(KNEE_POINTS):
        ohm = KNEE_FROM * critical_ohm * factor**number
        volts = _knee_point(work, load, number, ohm, set_v, set_a)
        if volts is None:
            continue  # nothing is known of this point: it lies on neither side
        if volts >= KNEE_HELD * set_v:
            held_ohm = ohm
        elif fallen_ohm is None:
            fallen_ohm = ohm
    for number in range(KNEE_POINTS, KNEE_POINTS + HALVED):
        if held_ohm is None or fallen_ohm is None or work.bench.by_hand("load"):
            break
        ohm = math.sqrt(held_ohm * fallen_ohm)
        volts = _knee_point(work, load, number, ohm, set_v, set_a)
        if volts is None:
            continue  # the same point again
        if volts >= KNEE_HELD * set_v:
            held_ohm = ohm
        else:
            fallen_ohm = ohm
    load.input(False)


def _knee_point(
    work: Workplace, load: Load, number: int, ohm: float, set_v: float, set_a: float
) -> float | None:
    """Current and voltage at one resistance; the voltage, None when it is not valid."""
    load.set_resistance(ohm)
    if not at_rest(work, STEADY_V, timeout_s=2.0):
        work.log.event("restless", knee_ohm=ohm)
    at: dict[str, float | str] = {"knee": number, "ohm": ohm, "set_v": set_v, "set_a": set_a}
    work.log.reading(load.read_amps(), **at)
    return work.log.reading(meter_of(work).read_volts(), **at).value


CHECK = CurrentLimit()
