"""Steps of the line voltage: set, wait until the inlet shows it, always back to nominal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from runner.checks.check import Conditions, Workplace
from runner.errors import BenchError
from runner.instruments.roles import MainsSource
from runner.operator.requests import SwitchUnit
from runner.reading import Reading

__all__ = [
    "LOW_SHARE",
    "inlet_volts",
    "line_at",
    "missing_line",
    "nominal_line",
    "source_of",
    "switch_mains",
]

LOW_SHARE, HIGH_SHARE = 0.9, 1.1
"""Usual test limits of line voltage: 10 % below and above nominal."""
INLET_SHARE = 0.006
INLET_TIMEOUT_S = 10.0
WITHOUT_METER_S = 2.0
MOST_ADDED = 0.03
"""Of the wanted voltage: more than this is no lead's share, and is not made up for."""
AFTER_STEP_S = 0.5


def missing_line(conditions: Conditions) -> str | None:
    """Why the line voltage cannot be stepped on this bench, None when it can."""
    if conditions.bench.by_role("mains-source") is None:
        return (
            "no settable mains source on the bench: a variac behind a meter, or an AC source, of"
            " at least twice the unit's power"
        )
    return None


def source_of(work: Workplace) -> MainsSource:
    """Return the mains source; the plan has made sure that there is one."""
    if work.instruments.mains_source is None:
        raise BenchError("this check needs a settable mains source")
    return work.instruments.mains_source


def inlet_volts(work: Workplace) -> Reading | None:
    """Line voltage at the inlet, where a mains meter stands in the lead."""
    meter = work.instruments.mains_meter
    return None if meter is None else meter.read_mains()["line-voltage"]


def line_at(work: Workplace, share: float) -> None:
    """Set a share of nominal and wait until the inlet shows it (without a meter: a while).

    The lead and the socket take their part of what the source gives, and the line wanders: what
    the inlet lacks is added to the setting, a few hundredths at most.
    """
    rating = work.profile.unit.mains
    wanted_v = share * rating.voltage_v
    source_of(work).set_line(wanted_v, rating.frequency_hz)
    if work.instruments.mains_meter is None:
        work.clock.sleep(WITHOUT_METER_S)
        return
    by_hand = work.bench.by_hand("mains-source")
    asked_v, most_v = wanted_v, MOST_ADDED * wanted_v
    give_up_s = work.clock.mono_s() + INLET_TIMEOUT_S
    while work.clock.mono_s() < give_up_s:
        reading = inlet_volts(work)
        seen_v = reading.value if reading is not None else None
        if seen_v is not None and abs(seen_v - wanted_v) <= INLET_SHARE * wanted_v:
            return
        if seen_v is not None and abs(wanted_v - seen_v) <= most_v and not by_hand:
            asked_v = min(max(asked_v + wanted_v - seen_v, wanted_v - most_v), wanted_v + most_v)
            source_of(work).set_line(asked_v, rating.frequency_hz)
            work.clock.sleep(AFTER_STEP_S)
    work.log.event("line-not-reached", wanted_v=wanted_v)


def switch_mains(work: Workplace, *, on: bool) -> None:
    """Switch the unit's mains: at the source that feeds it, else by hand.

    :raises BenchError: nobody did it
    """
    source = work.instruments.mains_source
    if source is not None:
        source.output(on)
        return
    word = "on" if on else "off"
    request = SwitchUnit("switch-mains", f"Switch the unit's mains {word}.", "mains", on)
    if not work.operator.answer(request).done:
        raise BenchError(f"the unit's mains was not switched {word}")


@contextmanager
def nominal_line(work: Workplace) -> Iterator[None]:
    """Whatever happens inside, the line is back at nominal afterwards."""
    try:
        yield
    finally:
        rating = work.profile.unit.mains
        source_of(work).set_line(rating.voltage_v, rating.frequency_hz)
