"""Source effect: does the output voltage hold when the line is 10 % low or high?"""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.judging import Judge
from runner.checks.line_steps import (
    HIGH_SHARE,
    LOW_SHARE,
    inlet_volts,
    line_at,
    missing_line,
    nominal_line,
)
from runner.checks.load_effect_findings import places
from runner.checks.points import allowed_load_a, full_load_a, tap_count
from runner.checks.scales import scale_of, valid_values
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
from runner.finding import Finding
from runner.metrology.limit import Limit
from runner.metrology.readings import difference
from runner.metrology.repeats import mean
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["CHECK"]

NAME = "source-effect"
CYCLES = 3
READINGS = 5
LINES = (("low", LOW_SHARE), ("high", HIGH_SHARE))


class SourceEffect:
    """Low and high line in turn, at rated voltage and rated load."""

    name = NAME
    title = "Source effect"
    question = "Does the output voltage hold when the line voltage is 10 % low or high?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a meter, a load and a settable mains source."""
        unit, bench = conditions.profile.unit, conditions.bench
        missing = missing_line(conditions)
        if bench.by_role("meter") is None or bench.by_role("load") is None:
            missing = "source effect needs a meter and a load on the output"
        taps = tap_count(conditions.profile)
        return Plan(
            duration_s=8.0 * (1 if conditions.quick else CYCLES)
            + (11.0 if unit.setting == "hand" else 5.0),
            relay_operations=taps,
            hands=("knob",) if unit.setting == "hand" else (),
            dissipation_w=1.3 * unit.voltage.high * unit.current.high,
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Nominal, then low and high in turn, then nominal again."""
        start(work)
        set_v = go_to(work, work.profile.unit.voltage.high)
        load = load_of(work)
        load_a = allowed_load_a(load, set_v, full_load_a(work.profile))
        with nominal_line(work), loaded(load, load_a):
            _read(work, set_v, load_a, "nominal", 1.0, 0)
            for cycle in range(1, (1 if work.quick else CYCLES) + 1):
                for name, share in LINES:
                    work.log.progress((cycle - 1) / CYCLES, f"line {name}")
                    _read(work, set_v, load_a, name, share, cycle)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """High minus low line, from the cycles; a sag at low line is said to be dropout."""
        judge = Judge(NAME, profile)
        limits = profile.limit(NAME)
        found = []
        for set_v in places(data.readings, "set_v"):
            limit = Limit.about(0.0, limits.limit.at(float(set_v)))
            at = f"at {float(set_v):.6g} V, {_load_a(data):.3g} A, line -10 % to +10 %"
            found.append(_finding(data, judge, limit, limits.source, float(set_v), at))
        return found


def _read(
    work: Workplace, set_v: float, load_a: float, line: str, share: float, cycle: int
) -> None:
    at: dict[str, float | str] = {"set_v": set_v, "load_a": load_a, "line": line, "cycle": cycle}
    line_at(work, share)
    range_for(meter_of(work), set_v, FAST_NPLC)  # rest is seen by many quick readings
    if not at_rest(work, work.profile.limit(NAME).limit.at(set_v)):
        work.log.event("restless", **at)
    range_for(meter_of(work), set_v, EXACT_NPLC)
    seen = work.log.readings(meter_of(work).read_volts_many(READINGS), **at)[-1].value
    inlet = inlet_volts(work)
    if inlet is not None:
        work.log.reading(inlet, **at)
    work.log.event("mode", mode=mode_of(work, set_v, seen), **at)


def _load_a(data: CheckData) -> float:
    return max((float(r.at["load_a"]) for r in data.readings if "load_a" in r.at), default=0.0)


def _finding(
    data: CheckData, judge: Judge, limit: Limit, source: str, set_v: float, at: str
) -> Finding:
    what = "source effect"
    highs, lows, first = [], [], None
    groups: list[list[float]] = []
    for cycle in places(data.of("output-voltage", set_v=set_v), "cycle"):
        high = [r for r in data.of("output-voltage", cycle=cycle, line="high") if r.valid]
        low = [r for r in data.of("output-voltage", cycle=cycle, line="low") if r.valid]
        if high and low:
            highs.append(mean(valid_values(high)))
            lows.append(mean(valid_values(low)))
            groups += [valid_values(high), valid_values(low)]
            first = first or high[0]
    if first is None:
        return judge.not_measured(
            what, "V", "no valid readings at low and high line", at=at, limit=limit, source=source
        )
    nominal = data.of("output-voltage", set_v=set_v, line="nominal")
    budget = difference(
        what, highs, lows, scale_of(data, first), groups=groups, alike=[valid_values(nominal)]
    )
    modes = {e["mode"] for e in data.events_of("mode") if e["line"] == "low"}
    reason = "at low line the output sags: dropout" if modes & {"low", "cc"} else ""
    return judge.apply(budget, limit, source, at=at, reason=reason)


CHECK = SourceEffect()
