"""Earth reference: is either output terminal tied to earth, and how hard?

The meter goes from each output terminal to earth, dc and ac, alone and with a bleed resistor,
at a low voltage and a low current limit, before any earthed lead may touch the output. Leads
that would earth the output are taken off first; they go on again only if what was found, put
together with the bench file, leaves no stop.
"""

from __future__ import annotations

from collections.abc import Mapping

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.earth_reference_findings import NAME, findings
from runner.checks.stepping import go_to, meter_of
from runner.errors import HazardStop, PersonWantsError
from runner.finding import Finding
from runner.hookup.measured import TERMINALS, earth_measured
from runner.hookup.verdict import earthed_leads, judge
from runner.instruments.roles import Meter
from runner.operator.requests import (
    AskYesNo,
    FitBleed,
    MoveLead,
    Request,
    SetStrap,
    SwitchUnit,
)
from runner.profile import Profile
from runner.quantity import format_quantity
from runner.reading import Reading
from runner.record.reader import CheckData
from runner.terminals import spoken

__all__ = ["CHECK"]

TEST_V = 20.0
TEST_LIMIT_SHARE = 0.05
READINGS = 5
NPLC = 10.0
SETTLE_S = 2.0
SETTLE_TRIES = 30
CHORES_S, READ_S, TURN_S = 95.0, 60.0, 50.0
ON_OUTPUT = {"hi": "unit.plus", "lo": "unit.minus"}
"""Where the meter's leads are before and after."""
FIRST_POWER = (
    "Plug the unit into the bench's mains outlet and switch it on at its own switch, its output"
    " still off. Stay with it, and pull the plug if it smells, smokes or hums loudly."
)
AC_INPUT_OHMS = (0.98e6, 10.2e6)
"""Input resistance of meters on ac ranges: 1 MΩ on the bench, 10 MΩ in the hand (makers'
figures); the interval of the result covers both."""


class EarthReferenceCheck:
    """Both terminals against earth, dc and ac, with and without a bleed resistor."""

    name = NAME
    title = "Output against earth"
    question = "Is either output terminal tied to earth, and how hard?"

    def plan(self, conditions: Conditions) -> Plan:
        """A few moves of leads by hand, some minutes."""
        meter = conditions.bench.by_role("meter")
        missing = None
        if meter is None:
            missing = "no meter on the bench: join one to the output terminals"
        elif meter.reference in {"earthed", "unknown"}:
            missing = (
                f"the inputs of {meter.name} are (or count as) earthed: take a battery meter or one"
                " with isolated inputs, and say so in the bench file"
            )
        by_hand = conditions.profile.unit.setting == "hand"
        return Plan(
            duration_s=CHORES_S + READ_S + TURN_S * by_hand,
            hands=("leads", "bleed resistor"),
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Take earthed leads off, measure, put them back if nothing speaks against it."""
        earthed = earthed_leads(work.bench, work.profile)
        _prepare(work, earthed)
        leads = dict(ON_OUTPUT)
        try:
            kept = _readings(work, leads)
        except PersonWantsError:  # the check begins anew, with the meter on the output
            _put_leads(work, leads, ON_OUTPUT)
            raise
        _put_leads(work, leads, ON_OUTPUT)
        kept += _read_output(work, "after")
        _put_back(work, earthed, kept)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.earth_reference_findings`."""
        return findings(data, profile)


def _do(work: Workplace, request: Request) -> None:
    """Have something done by hand; without it no earthed lead may touch the output.

    :raises HazardStop: it was not done
    """
    if not work.operator.answer(request).done:
        raise HazardStop(f"how the output stands to earth could not be measured: {request.text}")


def _prepare(work: Workplace, earthed: tuple[tuple[str, str], ...]) -> None:
    output = work.output
    if work.instruments.load is not None:
        work.instruments.load.input(False)
    if output.by_hand:
        work.operator.answer(SwitchUnit("first-power", FIRST_POWER, "mains", on=True))
    output.on(False)
    for lead, terminal in earthed:
        _do(work, MoveLead("take-off", f"Take {spoken(lead)} off {spoken(terminal)}.", lead, ""))
    if work.bench.unit.earth_strap != "none":
        _do(work, SetStrap("strap-off", "Take the earth strap off the output posts.", "none"))
    _do(
        work,
        AskYesNo(
            "only-the-meter",
            "Is nothing earthed on the output posts now, no lead of a scope or load on earth?",
        ),
    )
    output.set_current_limit(max(0.1, TEST_LIMIT_SHARE * work.profile.unit.current.high))
    output.on(True)
    go_to(work, min(TEST_V, work.profile.unit.voltage.high))  # a restless unit is measured too


def _readings(work: Workplace, leads: dict[str, str]) -> list[Reading]:
    bleed_ohms = work.bench.unit.bleed_resistor
    kept = _read_output(work, "before")
    for number, terminal in enumerate(TERMINALS):
        point = f"unit.{terminal}"
        _put_leads(work, leads, {"hi": point, "lo": "unit.earth"})
        work.log.progress(0.2 + 0.4 * number, f"{terminal} against earth")
        first, range_v = _read_terminal(work, terminal, "off", None)
        _do(
            work,
            FitBleed(
                "bleed-on",
                f"Fit {format_quantity(bleed_ohms, 'Ω', 3)} from {spoken(point)} to"
                f" {spoken('unit.earth')}.",
                point, "unit.earth", bleed_ohms,
            ),
        )  # fmt: skip
        second, _ = _read_terminal(work, terminal, "on", range_v)
        _do(work, FitBleed("bleed-off", "Take the resistor off.", point, "unit.earth", 0.0))
        kept += [*first, *second]
    work.log.event("arrangement", **_arrangement(work))
    return kept


def _arrangement(work: Workplace) -> dict[str, float]:
    """What stands to earth while reading; the arithmetic needs it."""
    low_ohms, high_ohms = AC_INPUT_OHMS
    return {
        "meter_ohms": meter_of(work).input_ohms,
        "bleed_ohms": work.bench.unit.bleed_resistor,
        "ac_meter_low_ohms": low_ohms,
        "ac_meter_high_ohms": high_ohms,
        "frequency_hz": work.bench.mains.nominal.frequency_hz,
    }


def _put_leads(work: Workplace, leads: dict[str, str], wanted: Mapping[str, str]) -> None:
    """Have the meter's leads moved that are not where they are wanted, and remember where."""
    name = meter_of(work).name
    for end, point in wanted.items():
        if leads.get(end) == point:
            continue
        text = f"Put {end.upper()} of {name} on {spoken(point)}."
        leads[end] = ""  # in the air, should it go wrong
        _do(work, MoveLead("meter-lead", text, f"{name}.{end}", point))
        leads[end] = point


def _range(work: Workplace) -> Meter:
    """One fixed range for every direct voltage, so that the meter's gain leaves the ratios."""
    meter = meter_of(work)
    meter.set_dc_volts(expect_v=1.1 * min(TEST_V, work.profile.unit.voltage.high), nplc=NPLC)
    return meter


def _read_output(work: Workplace, when: str) -> list[Reading]:
    meter = _range(work)
    work.clock.sleep(SETTLE_S)
    return work.log.readings(meter.read_volts_many(READINGS), when=when)


def _read_terminal(
    work: Workplace, terminal: str, bleed: str, ac_range_v: float | None
) -> tuple[list[Reading], float | None]:
    """Direct, then alternating; the second pair of readings is taken on the first one's range."""
    meter = _range(work)
    _wait_still(work, meter)
    read = meter.read_volts_many(READINGS, "earth-voltage")
    kept = work.log.readings(read, terminal=terminal, bleed=bleed)
    look = meter.read_ac_volts(expect_v=ac_range_v, quantity="earth-ac-voltage")
    if ac_range_v is None and look.value is not None:
        ac_range_v = max(0.05, 1.1 * look.value)
        look = meter.read_ac_volts(expect_v=ac_range_v, quantity="earth-ac-voltage")
    kept.append(work.log.reading(look, terminal=terminal, bleed=bleed))
    return kept, ac_range_v


def _wait_still(work: Workplace, meter: Meter) -> None:
    """Stray capacitance and the meter's resistance settle slowly: wait until two agree."""
    still_v = 1e-5 * work.profile.unit.voltage.high
    last: float | None = None
    for _ in range(SETTLE_TRIES):
        work.clock.sleep(SETTLE_S)
        value = meter.read_volts("earth-voltage").value
        if value is not None and last is not None and abs(value - last) <= still_v:
            return
        last = value
    work.log.event("restless", seconds=SETTLE_S * SETTLE_TRIES)


def _put_back(work: Workplace, earthed: tuple[tuple[str, str], ...], kept: list[Reading]) -> None:
    """Earthed leads go on again only if the wiring, with what was found, has no stop."""
    work.output.on(False)
    meter = meter_of(work)
    event = {"what": "arrangement", **_arrangement(work)}
    identity = {"accuracy": meter.identity().accuracy}
    data = CheckData(NAME, kept, [event], [], [], {meter.name: identity})
    measured = earth_measured(data)
    if not measured.terminals and earthed:
        raise HazardStop(
            "how the output stands to earth could not be measured; no earthed lead may go on"
        )
    verdict = judge(work.bench, work.profile, measured)
    if verdict.stops:
        work.log.note("The earthed leads stay off: " + verdict.stops[0].sentence)
        return
    if work.bench.unit.earth_strap != "none":
        position = work.bench.unit.earth_strap
        text = f"Put the earth strap on {spoken(f'unit.{position}')} again."
        _do(work, SetStrap("strap-on", text, position))
    for lead, terminal in earthed:
        text = f"Put {spoken(lead)} on {spoken(terminal)} again."
        _do(work, MoveLead("put-back", text, lead, terminal))


CHECK = EarthReferenceCheck()
