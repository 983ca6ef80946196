"""What the setting readings say: error at each point, straight-line fit, panel voltmeter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from runner.checks.indication import shown_minus_true, true_minus_set
from runner.checks.judging import Judge
from runner.checks.knob_turn import smoothness
from runner.checks.scales import scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.readings import mean_of_readings
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["NAME", "Place", "findings", "output_at"]

NAME = "setting"
FIT_POINTS = 3


@dataclass(frozen=True, slots=True)
class Place:
    """One point of one direction."""

    set_v: float
    direction: str

    @property
    def words(self) -> str:
        """The place as a finding names it."""
        return f"{self.set_v:.6g} V, {self.direction}"


def output_at(data: CheckData) -> dict[Place, Budget | str]:
    """Mean output voltage at each place, or why there is none, in the order of measuring."""
    sets: dict[Place, list[Reading]] = {}
    for reading in data.of("output-voltage"):
        place = Place(float(reading.at["set_v"]), str(reading.at["direction"]))
        sets.setdefault(place, []).append(reading)
    found: dict[Place, Budget | str] = {}
    for place, readings in sets.items():
        valid = [one for one in readings if one.valid]
        if valid:
            scale = scale_of(data, valid[0])
            found[place] = mean_of_readings("output voltage", valid_values(valid), scale)
        else:
            found[place] = str(readings[0].reason)
    return found


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Errors of the set point (units set remotely only), their straight line, and the panel."""
    judge = Judge(NAME, profile)
    outputs = output_at(data)
    found: list[Finding] = []
    if profile.unit.setting == "remote":
        found += _errors(outputs, profile, judge)
        found += _line(outputs, profile, judge)
    found += smoothness(data, profile, judge)
    found += _reach(outputs, profile, judge)
    found += _panel(data, outputs, profile, judge)
    return found


def _errors(outputs: Mapping[Place, Budget | str], profile: Profile, judge: Judge) -> list[Finding]:
    limits = profile.limit("setting")
    found = []
    for place, true in outputs.items():
        limit = Limit.about(0.0, limits.limit.at(place.set_v))
        what = "error of the output voltage"
        if isinstance(true, str):
            found.append(
                judge.not_measured(
                    what, "V", true, at=place.words, limit=limit, source=limits.source
                )
            )
            continue
        error = true_minus_set(what, true, place.set_v)
        found.append(judge.apply(error, limit, limits.source, at=place.words))
    return found


def _line(outputs: Mapping[Place, Budget | str], profile: Profile, judge: Judge) -> list[Finding]:
    """Gain, offset and residual: a trimmer can mend the first two only.

    Limits follow from that of the setting: the gain alone may use all of it at the top of the
    range, the offset all of it at zero, the bend all of it at the top.
    """
    import numpy as np

    limits = profile.limit("setting")
    known = {p: b for p, b in outputs.items() if isinstance(b, Budget)}
    if len({place.set_v for place in known}) < FIT_POINTS:
        why = f"a straight line needs {FIT_POINTS} points"
        return [judge.not_measured("gain error", "%", why, source=limits.source)]
    set_v = np.array([place.set_v for place in known])
    error_v = np.array([budget.value - place.set_v for place, budget in known.items()])
    (gain, offset_v), covariance = np.polyfit(set_v, error_v, 1, cov="unscaled")
    residual_v = error_v - (gain * set_v + offset_v)
    dof = len(known) - 2
    scatter_v = float(np.sqrt(residual_v @ residual_v / dof))
    top_v = profile.unit.voltage.high
    allowed_v = limits.limit.at(top_v)
    top = max(known, key=lambda place: place.set_v)
    low = min(known, key=lambda place: place.set_v)
    source = f"follows from the limit of the setting ({limits.source})"
    gain_budget = _fitted(
        "gain error", "%", 100 * gain, known[top], 100 / top_v,
        100 * scatter_v * math.sqrt(covariance[0][0]), dof,
    )  # fmt: skip
    offset_budget = _fitted(
        "offset", "V", offset_v, known[low], 1.0, scatter_v * math.sqrt(covariance[1][1]), dof
    )
    worst = int(np.argmax(np.abs(residual_v)))
    place = list(known)[worst]
    bend = _fitted("bend", "V", float(residual_v[worst]), known[place], 1.0, 0.0, dof)
    return [
        judge.apply(gain_budget, Limit.about(0.0, 100 * allowed_v / top_v), source),
        judge.apply(offset_budget, Limit.about(0.0, limits.limit.at(0.0) or allowed_v), source),
        judge.apply(bend, Limit.about(0.0, allowed_v), source, at=place.words),
    ]


def _fitted(
    what: str, unit: str, value: float, near: Budget, share: float, scatter: float, dof: int
) -> Budget:
    """Budget of a fitted figure: scatter of the fit, and the meter where it weighs most."""
    lines = [
        Line(f"meter: {line.name}", line.kind, line.u * share, line.value, unit, line.dof,
             line.sensitivity, line.distribution, line.source)
        for line in near.lines
    ]  # fmt: skip
    if scatter > 0:
        lines.append(Line("scatter of the fit", "A", scatter, value, unit, dof=dof))
    return Budget(what, unit, float(value), tuple(lines), near.caveats, near.notes)


def _reach(outputs: Mapping[Place, Budget | str], profile: Profile, judge: Judge) -> list[Finding]:
    """Whether the unit reaches its rated voltage at all."""
    limits = profile.limit("setting" if profile.unit.setting == "remote" else "panel-voltage")
    top_v = profile.unit.voltage.high
    limit = Limit.at_least(top_v - limits.limit.at(top_v), nominal=top_v)
    known = [budget for budget in outputs.values() if isinstance(budget, Budget)]
    what = "highest output voltage"
    if not known:
        return [judge.not_measured(what, "V", "no valid reading", limit=limit)]
    best = max(known, key=lambda budget: budget.value)
    budget = Budget(what, "V", best.value, best.lines, best.caveats, best.notes)
    source = f"rated voltage less its tolerance ({limits.source})"
    return [judge.apply(budget, limit, source)]


def _panel(
    data: CheckData, outputs: Mapping[Place, Budget | str], profile: Profile, judge: Judge
) -> list[Finding]:
    limits = profile.limit("panel-voltage")
    found = []
    what = "panel voltmeter error"
    for shown in data.of("panel-voltage"):
        place = Place(float(shown.at["set_v"]), str(shown.at["direction"]))
        true = outputs.get(place, "the output was not measured")
        limit = Limit.about(0.0, limits.limit.at(place.set_v))
        if isinstance(true, str) or shown.value is None:
            why = true if isinstance(true, str) else str(shown.reason)
            found.append(
                judge.not_measured(
                    what, "V", why, at=place.words, limit=limit, source=limits.source
                )
            )
            continue
        error = shown_minus_true(what, shown.value, true)
        found.append(judge.apply(error, limit, limits.source, at=place.words))
    return found
