"""Load effect: does the voltage hold from no load to rated load, and how does it give way?"""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.load_effect_findings import NAME, findings
from runner.checks.points import allowed_load_a, full_load_a, low_voltage_v, tap_count
from runner.checks.stepping import (
    EXACT_NPLC,
    FAST_NPLC,
    at_rest,
    go_to,
    load_of,
    loaded,
    meter_of,
    mode_of,
    range_for,
    start,
)
from runner.checks.walk import walk
from runner.finding import Finding
from runner.instruments.roles import Load
from runner.operator.requests import AskNumber
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK"]

PAIRS, BRIEF_PAIRS = 3, 2
"""Pairs no load - full load; two where each value is typed and time is short."""
SECONDS, SECONDS_BY_HAND, SECONDS_TYPED, SECONDS_BRIEF = 65.0, 95.0, 370.0, 110.0
READINGS = 5
LOAD_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
PANEL_SLIP = 0.05
"""A panel reading further off than this share is asked for again (common practice)."""
REST_SHARE = 0.3
"""Rest between the steps of a pair, as a share of the limit (see ``at_rest``)."""
TAIL_S = 60.0
"""When the thermal tail is read after the load was put on (common practice)."""


class LoadEffect:
    """Paired differences no load - full load, the load line, and the thermal tail."""

    name = NAME
    title = "Load effect"
    question = "Does the output voltage hold from no load to rated load?"

    def plan(self, conditions: Conditions) -> Plan:
        """About half a second a reading set; needs meter and load."""
        unit, bench = conditions.profile.unit, conditions.bench
        missing = None
        if bench.by_role("meter") is None:
            missing = "no meter on the bench: join one to the output terminals"
        elif bench.by_role("load") is None:
            missing = "no load on the bench: a programmable load or a resistor for rated current"
        tail_s = 0.0 if conditions.quick else TAIL_S
        hands = ("knob",) if unit.setting == "hand" else ()
        taps = tap_count(conditions.profile)
        seconds = SECONDS_BY_HAND if hands else SECONDS
        if bench.by_hand("meter"):
            seconds = SECONDS_BRIEF if conditions.quick else SECONDS_TYPED
        return Plan(
            duration_s=seconds + tail_s,
            relay_operations=2 * taps,
            hands=hands,
            dissipation_w=unit.voltage.high * unit.current.high,
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Pairs at rated and at a low voltage, load lines, and the tail at rated voltage."""
        start(work)
        brief = work.quick and work.bench.by_hand("meter")
        voltages = [work.profile.unit.voltage.high]
        if not brief:
            voltages.append(low_voltage_v(work.profile))

        def one(number: int, asked_v: float) -> None:
            work.log.progress(number / len(voltages), f"load effect at {asked_v:g} V")
            set_v = go_to(work, asked_v)
            _pairs(work, set_v, BRIEF_PAIRS if brief else PAIRS)
            if not brief:
                _line(work, set_v, panel=number == 0)
            if number == 0 and not work.quick:
                _tail(work, set_v)

        walk(work, voltages, lambda asked_v: f"{asked_v:g} V", one)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.load_effect_findings`."""
        return findings(data, profile)


def _rest(work: Workplace, set_v: float) -> None:
    limit_v = REST_SHARE * work.profile.limit("load-effect").limit.at(set_v)
    range_for(meter_of(work), set_v, FAST_NPLC)
    if not at_rest(work, limit_v):
        work.log.event("restless", set_v=set_v)
    range_for(meter_of(work), set_v, EXACT_NPLC)


def _read(work: Workplace, **at: float | str) -> float | None:
    """Read the output a few times at this place; returns the last valid value in V."""
    read = work.log.readings(meter_of(work).read_volts_many(READINGS), **at)
    valid = [one.value for one in read if one.value is not None]
    return valid[-1] if valid else None


def _note_mode(work: Workplace, set_v: float, measured_v: float | None, **at: float | str) -> None:
    work.log.event("mode", mode=mode_of(work, set_v, measured_v), set_v=set_v, **at)


def _pairs(work: Workplace, set_v: float, pairs: int) -> None:
    load = load_of(work)
    load_a = allowed_load_a(load, set_v, full_load_a(work.profile))
    with loaded(load, load_a):
        _rest(work, set_v)  # an output that was turned down comes down the last millivolts
    for pair in range(1, pairs + 1):
        _rest(work, set_v)
        _read(work, set_v=set_v, pair=pair, load="none")
        with loaded(load, load_a):
            _rest(work, set_v)
            seen_v = _read(work, set_v=set_v, pair=pair, load="full")
            work.log.reading(load.read_amps(), set_v=set_v, pair=pair, load="full")
            _note_mode(work, set_v, seen_v, pair=pair)
    _rest(work, set_v)
    _read(work, set_v=set_v, pair=pairs + 1, load="none")


def _shares(load: Load, set_v: float, full_a: float) -> list[float]:
    """Shares of full load that the load can draw, rising; of a few resistors each once."""
    wanted = (allowed_load_a(load, set_v, share * full_a) / full_a for share in LOAD_SHARES)
    return sorted({round(share, 4) for share in wanted})


def _line(work: Workplace, set_v: float, *, panel: bool) -> None:
    load, supply = load_of(work), work.instruments.supply
    load_a = allowed_load_a(load, set_v, full_load_a(work.profile))
    shares = _shares(load, set_v, load_a)
    for share in shares:
        at: dict[str, float | str] = {"set_v": set_v, "share": share}
        if share == 0:
            _rest(work, set_v)
            _read(work, **at)
            continue
        with loaded(load, share * load_a):
            _rest(work, set_v)
            seen_v = _read(work, **at)
            work.log.reading(load.read_amps(), **at)
            if supply is not None and not work.output.by_hand:
                work.log.reading(supply.panel_amps(), **at)
            elif panel and share == shares[-1]:
                _typed_amps(work, share * load_a, **at)
            _note_mode(work, set_v, seen_v, share=share)


def _typed_amps(work: Workplace, load_a: float, **at: float | str) -> None:
    """Keep what the unit's own ammeter shows, typed in; many a unit has none."""
    answer = work.operator.answer(
        AskNumber(
            "panel-current",
            "What does the unit's own ammeter show? Skip it if it has none.",
            unit="A", low=-load_a, high=2 * load_a + 1.0, expect=load_a, slip=PANEL_SLIP * load_a,
        )
    )  # fmt: skip
    if answer.value is None:
        work.log.note("The unit's own ammeter was not read.")
        return
    shown = Reading(
        "panel-current", answer.value, "A", "unit", "panel-amps", raw=answer.words,
        t_mono_s=work.clock.mono_s(),
    )  # fmt: skip
    work.log.reading(shown, **at)


def _tail(work: Workplace, set_v: float) -> None:
    """Immediately after the step and a minute later: what heat does to the voltage."""
    load = load_of(work)
    with loaded(load, allowed_load_a(load, set_v, full_load_a(work.profile))):
        _rest(work, set_v)
        _read(work, set_v=set_v, tail="at once")
        work.clock.sleep(TAIL_S)
        _read(work, set_v=set_v, tail="later")


CHECK = LoadEffect()
