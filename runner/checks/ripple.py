"""Ripple and noise (PARD): rms and peak to peak, at light and full load, where it can differ."""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.points import OutputPoint, allowed_load_a, full_load_a, tap_count, winding_points
from runner.checks.ripple_capture import RippleScope, mains_lines, ripple_readings
from runner.checks.ripple_findings import LIGHT, NAME, findings
from runner.checks.ripple_pick_up import measure_shorted, measure_strapped
from runner.checks.stepping import at_rest, go_to, load_of, loaded, meter_of, mode_of, start
from runner.checks.tap_sensors import channel_of
from runner.checks.walk import walk
from runner.errors import BenchError
from runner.finding import Finding
from runner.hookup.verdict import earthed_leads
from runner.instruments.roles import Capture, Scope
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["CHECK", "ripple_scope"]

FULL = 1.0
RECORDS = 10
PEAK_RECORDS = 3
FLOOR_RECORDS = 10
SECONDS_A_POINT, SECONDS_A_TURN = 2.7, 5.8
OFF_V = 0.1
BLEED_SHARE = 0.05
"""Load by which the output capacitor is emptied before the floor is taken."""
OFF_TIMEOUT_S = 30.0
STRAPS_S, SHORT_S = 31.0, 20.0
"""Three moves of a strap, two of a lead, by somebody who stands at the bench, with the records."""
STRAPPED, SHORTED = "output earthed", "leads shorted"


class RippleCheck:
    """AC coupling, 20 MHz limit, line trigger, five mains periods; floor with the unit off."""

    name = NAME
    title = "Ripple and noise"
    question = "How much ripple and noise is on the output, and where does it come from?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a load and a scope channel on the output."""
        profile = conditions.profile
        points = winding_points(profile)
        taps, by_hand = tap_count(profile), profile.unit.setting == "hand"
        strap_s, short_s = _guided_s(conditions)
        hands = ("knob",) * by_hand + ("earth strap",) * (strap_s > 0) + ("leads",) * (short_s > 0)
        seconds = _seconds(taps, len(points), by_hand=by_hand, quick=conditions.quick)
        return Plan(
            duration_s=seconds + strap_s + short_s,
            relay_operations=2 * taps,
            hands=hands,
            dissipation_w=profile.unit.voltage.high * profile.unit.current.high,
            missing=_missing(conditions),
        )

    def measure(self, work: Workplace) -> None:
        """Points rising, so that "below a tap point" has the lower winding; then the bench's own.

        The floor with the output off comes after the output was earthed, since that may need
        another range; the leads are shorted last.
        """
        start(work)
        scope = ripple_scope(work)
        points = winding_points(work.profile, work.earlier)
        if work.quick:
            points = [p for p in points if p.name.startswith(("below", "maximum"))]
        spans: set[float] = set()

        def one(number: int, point: OutputPoint) -> None:
            set_v = go_to(work, point.volts)
            for share in (FULL,) if work.quick else (LIGHT, FULL):
                done = (number + (share == FULL) / 2) / (len(points) + 1)
                work.log.progress(done, f"{point.name}, {share:.0%} load")
                _at_load(work, scope, point.name, set_v, share)
                spans.add(scope.span_v)

        walk(work, points, lambda point: point.name, one)
        guided = not work.quick and not work.bench.by_hand("scope")
        if guided:
            work.log.progress(0.9, "output earthed and not")
            walk(work, [points[-1]], lambda _: STRAPPED,
                 lambda _, point: spans.update(measure_strapped(work, scope, point)))  # fmt: skip
        _floor(work, scope, sorted(spans))
        if guided:
            work.log.progress(0.98, "leads shorted")
            walk(work, [points[-1]], lambda _: SHORTED,
                 lambda _, point: measure_shorted(work, scope, min(spans), point))  # fmt: skip

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.ripple_findings`."""
        return findings(data, profile)


def _seconds(taps: int, points: int, *, by_hand: bool, quick: bool) -> float:
    """Bench time: each point at two loads; quick, the highest of each winding at full load."""
    if quick:
        return (taps + 1) * 2 * (SECONDS_A_TURN if by_hand else SECONDS_A_POINT / 2)
    return 2 * points * (SECONDS_A_TURN if by_hand else SECONDS_A_POINT)


def _guided_s(conditions: Conditions) -> tuple[float, float]:
    """Time of the steps that a person does (s): output earthed, leads shorted; 0 when left out."""
    bench, profile = conditions.bench, conditions.profile
    if conditions.quick or bench.by_hand("scope"):
        return 0.0, 0.0
    turn_s = SECONDS_A_TURN if profile.unit.setting == "hand" else 0.0
    strapped = profile.unit.output == "floating" and not earthed_leads(bench, profile)
    return (STRAPS_S + turn_s) * strapped, SHORT_S + turn_s


def _missing(conditions: Conditions) -> str | None:
    bench = conditions.bench
    if bench.by_role("meter") is None:
        return "no meter on the bench: join one to the output terminals"
    if bench.by_role("load") is None:
        return "no load on the bench: ripple must be seen at rated load"
    if channel_of(bench, "unit.plus") is None:
        return "no scope channel on the output: join one with a 1:1 lead or coax"
    return None


def ripple_scope(work: Workplace) -> RippleScope:
    """Return the scope channel on the output.

    :raises BenchError: there is none
    """
    scope: Scope | None = work.instruments.scope
    channel = channel_of(work.bench, "unit.plus")
    entry = work.bench.by_role("scope")
    if scope is None or channel is None or entry is None:
        raise BenchError("ripple needs a scope channel on the output")
    probe = entry.probes[channel].factor if channel in entry.probes else 1.0
    mains_hz = work.profile.unit.mains.frequency_hz
    return RippleScope(scope, channel, probe, mains_hz, work.clock)


def _at_load(work: Workplace, scope: RippleScope, name: str, set_v: float, share: float) -> None:
    load = load_of(work)
    load_a = allowed_load_a(load, set_v, share * full_load_a(work.profile))
    at: dict[str, float | str] = {
        "point": name, "set_v": set_v, "share": share, "load_a": round(load_a, 6),
    }  # fmt: skip
    with loaded(load, load_a):
        if not at_rest(work, work.profile.limit("load-effect").limit.at(set_v)):
            work.log.event("restless", **at)
        output = work.log.reading(meter_of(work).read_volts(), **at)
        work.log.event("mode", mode=mode_of(work, set_v, output.value), **at)
        scope.settle()
        for number, capture in enumerate(scope.records(RECORDS, "normal")):
            _keep(work, capture, **at)
            if number == 0:
                work.log.waveform(f"{set_v:.3f}V-{share:.0%}".replace("%", "pc"), capture, **at)
                work.log.readings(mains_lines(work, capture), **at)
        for capture in scope.records(PEAK_RECORDS, "peak"):
            _keep(work, capture, **at)


def _keep(work: Workplace, capture: Capture, **at: float | str) -> None:
    work.log.readings(ripple_readings(work, capture), **at)


def _floor(work: Workplace, scope: RippleScope, spans_v: list[float]) -> None:
    """What the bench shows with the unit's output off, leads in place, on every range used."""
    work.log.progress(0.97, "floor, output off")
    work.output.on(False)
    meter, give_up_s = meter_of(work), work.clock.mono_s() + OFF_TIMEOUT_S
    meter.set_dc_volts(expect_v=None, nplc=1.0)
    with loaded(load_of(work), BLEED_SHARE * full_load_a(work.profile)):
        while work.clock.mono_s() < give_up_s:
            value = meter.read_volts().value
            if value is not None and abs(value) < OFF_V:
                break
    for span_v in spans_v:
        scope.use_span(span_v)
        records = [*scope.records(FLOOR_RECORDS, "normal"), *scope.records(PEAK_RECORDS, "peak")]
        for capture in records:
            work.log.readings(ripple_readings(work, capture, "floor"), span_v=span_v)
    work.output.on(True)


CHECK = RippleCheck()
