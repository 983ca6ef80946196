"""Drift: after warm-up, does the output stay where it is at constant load and line?"""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.judging import Judge
from runner.checks.line_steps import inlet_volts
from runner.checks.load_effect_findings import places
from runner.checks.points import allowed_load_a, full_load_a
from runner.checks.scales import scale_of, valid_values
from runner.checks.stepping import (
    EXACT_NPLC,
    at_rest,
    go_to,
    load_of,
    loaded,
    meter_of,
    mode_of,
    range_for,
    start,
)
from runner.finding import Finding
from runner.instruments.hand import HandMeter
from runner.metrology.limit import Limit
from runner.metrology.readings import difference
from runner.operator.requests import AskWords
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK", "ask_what_was_noticed", "temperature_coefficient"]

NAME = "drift"
WARM_UP_S = 1800.0
WATCH_S = 1800.0
EVERY_S = 30.0
BY_HAND_EVERY_S = 300.0
LOAD_SHARE = 0.5
ENDS = 5
ENDS_LEAST = 3
"""Readings at each end whose means are compared."""
REST_V = 20e-3
LEAST_K = 2.0
"""A temperature must have moved by this much before a coefficient means anything."""


NOTICED = "noticed"
FAN_AND_HEAT = (
    "The unit has been under load for an hour. What did you notice of fan and heat: does the fan"
    " run, when did it start, is it loud or rough, does anything smell or get too hot? One line"
    " for the report; just Enter if nothing."
)


class Drift:
    """Half an hour of warm-up, half an hour of watching; the soak does the rest."""

    name = NAME
    title = "Drift"
    question = "After warm-up, does the output stay where it is?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a meter and a load; a thermometer tells the coefficient. Not in ten minutes."""
        bench, unit = conditions.bench, conditions.profile.unit
        missing = None
        if bench.by_role("meter") is None or bench.by_role("load") is None:
            missing = "drift needs a meter and a load on the output"
        return Plan(
            duration_s=WARM_UP_S + WATCH_S,
            hands=("knob",) if unit.setting == "hand" else (),
            dissipation_w=LOAD_SHARE * unit.voltage.high * unit.current.high,
            missing=missing,
            applies=not conditions.quick,
        )

    def measure(self, work: Workplace) -> None:
        """Rated voltage, half load, the knob not touched."""
        start(work)
        set_v = go_to(work, work.profile.unit.voltage.high)
        load = load_of(work)
        load_a = allowed_load_a(load, set_v, LOAD_SHARE * full_load_a(work.profile))
        range_for(meter_of(work), set_v, EXACT_NPLC)
        with loaded(load, load_a):
            if not _holds(work, set_v, load_a):
                return
            for phase, lasts_s in (("warm-up", WARM_UP_S), ("watch", WATCH_S)):
                _watch(work, phase, lasts_s, set_v, load_a)
        ask_what_was_noticed(work)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """Change over the time watched, against the limit for eight hours."""
        judge = Judge(NAME, profile)
        return [_drift(data, profile, judge, float(v)) for v in places(data.readings, "set_v")]


def _holds(work: Workplace, set_v: float, load_a: float) -> bool:
    """Whether the unit holds its voltage at all; an hour is not spent on one that does not."""
    at: dict[str, float | str] = {"phase": "begin", "set_v": set_v, "load_a": load_a}
    at_rest(work, REST_V)
    seen = work.log.reading(meter_of(work).read_volts(), **at)
    mode = mode_of(work, set_v, seen.value)
    if mode not in {"cv", "unknown"}:
        work.log.event("not-held", mode=mode, **at)
        return False
    return True


def _watch(work: Workplace, phase: str, lasts_s: float, set_v: float, load_a: float) -> None:
    begun_s = work.clock.mono_s()
    at: dict[str, float | str] = {"phase": phase, "set_v": set_v, "load_a": load_a}
    by_hand = isinstance(meter_of(work), HandMeter)
    every_s = min(BY_HAND_EVERY_S, lasts_s / (2 * ENDS_LEAST)) if by_hand else EVERY_S
    while (passed_s := work.clock.mono_s() - begun_s) <= lasts_s:
        done = 0.5 * passed_s / lasts_s + (0.5 if phase == "watch" else 0.0)
        work.log.progress(min(done, 1.0), phase)
        seen = work.log.reading(meter_of(work).read_volts(), **at)
        for one in _surroundings(work):
            work.log.reading(one, **at)
        mode = mode_of(work, set_v, seen.value)
        if mode != "cv":
            work.log.event("mode", mode=mode, t_s=passed_s, **at)
        work.clock.sleep(max(0.0, begun_s + passed_s + every_s - work.clock.mono_s()))


def ask_what_was_noticed(work: Workplace) -> None:
    """What only a person can tell of fan and heat after an hour under load, into the report."""
    if not work.attended:
        return
    answer = work.operator.answer(AskWords("fan-and-heat", FAN_AND_HEAT))
    if answer.done and answer.words.strip():
        work.log.event(NOTICED, words=answer.words.strip())
        work.log.note(f"fan and heat after an hour at half load: {answer.words.strip()}")


def _surroundings(work: Workplace) -> list[Reading]:
    found = []
    inlet = inlet_volts(work)
    if inlet is not None:
        found.append(inlet)
    thermometer = work.instruments.thermometer
    if thermometer is not None:
        found.append(thermometer.read_celsius("heatsink-temperature"))
    return found


def _drift(data: CheckData, profile: Profile, judge: Judge, set_v: float) -> Finding:
    limits = profile.limit(NAME)
    limit = Limit.about(0.0, limits.limit.at(set_v))
    readings = [r for r in data.of("output-voltage", phase="watch", set_v=set_v) if r.valid]
    what = "drift after warm-up"
    ends = min(ENDS, len(readings) // 2)
    if data.events_of("not-held"):
        why = "the unit does not hold its voltage at this load, so its drift means nothing"
        return judge.not_measured(what, "V", why, limit=limit, source=limits.source)
    if ends < ENDS_LEAST:
        why = f"only {len(readings)} valid readings"
        return judge.not_measured(what, "V", why, limit=limit, source=limits.source)
    minutes = (readings[-1].t_mono_s - readings[0].t_mono_s) / 60
    at = f"at {set_v:.6g} V, over {minutes:.0f} min"
    between = readings[ends:-ends]
    alike = [valid_values(between[i : i + ends]) for i in range(0, len(between), ends)]
    budget = difference(
        what,
        valid_values(readings[-ends:]),
        valid_values(readings[:ends]),
        scale_of(data, readings[0]),
        paired=False,
        alike=alike,
    )
    reason = "; ".join(filter(None, (temperature_coefficient(data), _left_mode(data))))
    return judge.apply(budget, limit, f"limit for 8 h: {limits.source}", at=at, reason=reason)


def temperature_coefficient(data: CheckData) -> str:
    """Indicative temperature coefficient over the whole run, where the heatsink was watched."""
    heat = [r for r in data.of("heatsink-temperature") if r.value is not None]
    volts = [r for r in data.of("output-voltage") if r.value is not None]
    if len(heat) < 2 or len(volts) < 2:
        return ""
    rise_k = (heat[-1].value or 0.0) - (heat[0].value or 0.0)
    if abs(rise_k) < LEAST_K:
        return ""
    change_v = (volts[-1].value or 0.0) - (volts[0].value or 0.0)
    ppm = 1e6 * change_v / rise_k / (volts[0].value or 1.0)
    return f"about {ppm:.0f} ppm for each kelvin of heatsink temperature (indicative)"


def _left_mode(data: CheckData) -> str:
    modes = {event["mode"] for event in data.events_of("mode")}
    return f"the unit left constant voltage ({', '.join(sorted(modes))})" if modes else ""


CHECK = Drift()
