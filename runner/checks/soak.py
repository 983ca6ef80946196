"""Soak: does the unit work a night long at load, and stay where it is?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.judging import Judge
from runner.checks.scales import scale_of
from runner.finding import Finding
from runner.metrology.limit import Limit
from runner.metrology.readings import difference, mean_of_readings
from runner.profile import Profile
from runner.record.reader import CheckData
from runner.soak.cold_start import REST_LEAST_H, ask_if_cold, first_minute_v, rest_h
from runner.soak.loop import SoakLoop
from runner.soak.plan import COLD_START, SoakPlan
from runner.soak.rules import OVER_SHARE, UNDER_SHARE
from runner.soak.samples import Samples, samples_of
from runner.soak.summary import Drift, drift_of, winding_changes, worst_minute
from runner.soak.watch import Alone, Watch

__all__ = ["CHECK", "NAME", "Soak"]

NAME = "soak"
BAND_SOURCE = "abort rule of unattended runs: 90 % to 105 % of the set point (common practice)"
COUNT_SOURCE = "common practice: none in a night"
SETTLED_K, SETTLED_S = 1.0, 1800.0
SETTLED_SOURCE = "common practice: less than 1 °C in the last half hour at constant load"
DONE_SHARE = 0.98


@dataclass(slots=True)
class Soak:
    """The soak as a check; made with a plan for doing it, without one for judging a record."""

    soak: SoakPlan | None = None
    watch: Watch = field(default_factory=Alone)
    folder: Path = field(default_factory=Path)
    skip_s: float = 0.0
    rearmed: int = 0
    before: Mapping[str, Any] | None = None
    """What a cold start is held against (:func:`runner.soak.cold_start.before_of`)."""
    name: str = NAME
    title: str = "Soak"
    question: str = "Does the unit work the whole time at load, and stay where it is?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a meter and a load; the rest tells more."""
        bench, unit = conditions.bench, conditions.profile.unit
        missing = None
        if bench.by_role("meter") is None or bench.by_role("load") is None:
            missing = "a soak needs a meter and a load on the output"
        elif "by-hand" in (bench.by_role("meter").address, bench.by_role("load").address):  # type: ignore[union-attr]
            missing = "a soak needs a meter and a load that are driven by the program"
        elif self.soak is None:
            missing = "a soak is begun by its own command"
        return Plan(
            duration_s=self.soak.lasts_s if self.soak is not None else 0.0,
            relay_operations=self.soak.relay_operations if self.soak is not None else 0,
            hands=("knob",) if unit.setting == "hand" else (),
            dissipation_w=unit.voltage.high * unit.current.high,
            missing=missing,
        )

    def measure(self, workplace: Workplace) -> None:
        """Work through the stages."""
        if self.soak is not None:
            if self.soak.stages[0].name == COLD_START and self.skip_s == 0.0:
                ask_if_cold(workplace.operator)
            if self.before is not None:
                workplace.log.event("follows", **self.before)
            SoakLoop(workplace, self.soak, self.watch, self.folder, self.skip_s, self.rearmed).run()

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """Length, drift, worst minute, counts of what may not happen, temperature at rest."""
        judge = Judge(NAME, profile)
        samples = samples_of(data.rows)
        if samples is None:
            return []
        if any(stage.name == COLD_START for stage in samples.stages):
            especially = _cold_start(data, samples, judge)
        else:
            especially = [_drift(data, samples, profile, judge)]
        found = [
            _length(data, samples, judge),
            *especially,
            _worst(data, samples, judge),
            *_counts(data, samples, judge),
            *_windings(samples, profile, judge),
        ]
        settled = _settled(data, samples, judge)
        return [*found, settled] if settled is not None else found


def _length(data: CheckData, samples: Samples, judge: Judge) -> Finding:
    planned_s = next((e["lasts_s"] for e in data.events_of("plan")), samples.soak_s)
    aborts = data.events_of("abort")
    gap_s = sum(length for _, length in samples.gaps)
    source = "the length asked for"
    at = f"{samples.soak_s / 3600:.2f} h of {planned_s / 3600:.2f} h"
    if samples.gaps:
        at += f", {len(samples.gaps)} gap(s), {gap_s:.0f} s in all, not counted"
    if left_out := samples.left_out():
        at += f", {left_out} rows left out, bench or computer being busy"
    reason = "; ".join(str(e["reason"]) for e in aborts)
    share = samples.soak_s / planned_s if planned_s else 1.0
    return judge.count(
        "share of the soak done", round(share, 4), Limit.at_least(DONE_SHARE), source, at=at,
        reason=reason or "it ended early",
    )  # fmt: skip


def _drift(data: CheckData, samples: Samples, profile: Profile, judge: Judge) -> Finding:
    limits = profile.limit("drift")
    found = drift_of(samples)
    what = "drift after warm-up"
    if not isinstance(found, Drift):
        return judge.not_measured(what, "V", found, source=limits.source)
    limit = Limit.about(0.0, limits.limit.at(found.set_v))
    scale = scale_of(data, samples.reading("output-voltage", float(found.last[-1])))
    budget = difference(
        what, [float(v) for v in found.last], [float(v) for v in found.first], scale, paired=False
    )
    at = f"at {found.set_v:.6g} V, over {found.watched_s / 3600:.2f} h"
    if found.slope is not None:
        at += f", slope {3600e6 * found.slope.slope_per_s:.3g} µV/h"
    for tau_s, deviation in found.allan.items():
        at += f", Allan deviation {1e6 * deviation:.3g} µV at {tau_s:g} s"
    return judge.apply(budget, limit, f"limit for 8 h: {limits.source}", at=at)


def _cold_start(data: CheckData, samples: Samples, judge: Judge) -> list[Finding]:
    """The first minute from cold, and how far it lies from the soak's end."""
    cold_v = first_minute_v(samples)
    what = "output in its first minute from cold"
    if cold_v is None:
        return [judge.not_measured(what, "V", "no valid reading")]
    stage = samples.stages[0]
    limit = Limit(UNDER_SHARE * stage.set_v, OVER_SHARE * stage.set_v, nominal=stage.set_v)
    scale = scale_of(data, samples.reading("output-voltage", cold_v))
    budget = mean_of_readings(what, [cold_v], scale)
    before = next(iter(data.events_of("follows")), None)
    if before is None:
        return [judge.apply(budget, limit, BAND_SOURCE, at=stage.name)]
    rested_h = rest_h(before, samples.begun)
    if rested_h < REST_LEAST_H:
        said = f"not known to be cold: {rested_h:.1f} h after {before['record']} by the clock"
        return [judge.not_measured(what, "V", f"{said}, {REST_LEAST_H:g} h are needed")]
    away_mv = 1e3 * ((cold_v - stage.set_v) - (before["end_v"] - before["set_v"]))
    at = f"{rested_h:.1f} h after {before['record']}, {away_mv:+.3g} mV from its end"
    return [judge.apply(budget, limit, BAND_SOURCE, at=at)]


def _worst(data: CheckData, samples: Samples, judge: Judge) -> Finding:
    what = "output in its worst minute"
    worst = worst_minute(samples)
    if worst is None:
        return judge.not_measured(what, "V", "no valid reading at a constant set point")
    stage = next(s for s in samples.stages if s.name == worst.stage)
    scale = scale_of(data, samples.reading("output-voltage", worst.mean_v))
    limit = Limit(UNDER_SHARE * stage.set_v, OVER_SHARE * stage.set_v, nominal=stage.set_v)
    hours, minutes = divmod(int(worst.t_s // 60), 60)
    at = (
        f"{worst.stage}, {hours} h {minutes:02d} min after the start,"
        f" {1e3 * worst.deviation_v:+.3g} mV from the stage's median"
    )
    return judge.apply(mean_of_readings(what, [worst.mean_v], scale), limit, BAND_SOURCE, at=at)


def _counts(data: CheckData, samples: Samples, judge: Judge) -> list[Finding]:
    counted = {
        "events on the output seen by the scope": data.events_of("output-event"),
        "times the unit left constant voltage": data.events_of("mode"),
        "times the load went off by itself": data.events_of("load-off-unasked"),
        "times a rule stopped the soak": [e for e in data.events_of("abort") if e.get("unit")],
    }
    return [
        judge.count(
            what, float(len(events)), Limit.at_most(0.0), COUNT_SOURCE,
            at=f"in {samples.soak_s / 3600:.2f} h",
            reason="; ".join(str(e["reason"]) for e in events if e.get("reason"))[:300]
            or "see the list of events",
        )
        for what, events in counted.items()
    ]  # fmt: skip


def _windings(samples: Samples, profile: Profile, judge: Judge) -> list[Finding]:
    """Changes of winding that nobody asked for; nothing where the bench could not see them."""
    if profile.unit.tap_control not in {"relay", "scr"}:
        return []
    changes = winding_changes(samples)
    if changes is None:
        return []
    shown = ", ".join(f"{t_s / 60:.1f}" for t_s in changes[:5])
    return [
        judge.count(
            "changes of winding unasked, from steps of the inlet power", float(len(changes)),
            Limit.at_most(0.0), COUNT_SOURCE, at=f"in {samples.soak_s / 3600:.2f} h",
            reason=f"after {shown} min from the start: set point, load and line were constant",
        )
    ]  # fmt: skip


def _settled(data: CheckData, samples: Samples, judge: Judge) -> Finding | None:
    """The heatsink at the end of the holding stage; None where it was not watched for long."""
    t_s, heat = samples.read("heatsink-temperature", ("hold",))
    if t_s.size < 20 or t_s[-1] - t_s[0] < 3 * SETTLED_S:
        return None
    span_s = SETTLED_S
    late = t_s >= t_s[-1] - span_s
    middle = t_s[late][0] + span_s / 2
    first = [float(v) for v in heat[late & (t_s < middle)]]
    last = [float(v) for v in heat[late & (t_s >= middle)]]
    what = "heatsink rise at the end of constant load"
    if len(first) < 2 or len(last) < 2:
        return None
    scale = scale_of(data, samples.reading("heatsink-temperature", float(np.mean(last))))
    # Means of the two halves lie half the span apart: the change over all of it is twice that.
    limit = Limit.about(0.0, SETTLED_K / 2)
    budget = difference(what, last, first, scale, paired=False)
    at = "between the means of its two quarters of an hour"
    return judge.apply(budget, limit, SETTLED_SOURCE, at=at)


CHECK = Soak()
