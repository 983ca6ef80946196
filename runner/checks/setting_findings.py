"""What the setting readings say: error at each point, straight-line fit, panel voltmeter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from runner.checks.indication import shown_minus_true, true_minus_set
from runner.checks.judging import Judge
from runner.checks.knob_turn import knob_findings
from runner.checks.scales import scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line, merged
from runner.metrology.limit import Limit
from runner.metrology.readings import mean_of_readings
from runner.metrology.repeats import scatter_about_drift
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

if TYPE_CHECKING:
    from runner.signals.samples import FloatArray

__all__ = ["NAME", "Place", "findings", "off_line_v", "output_at"]

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
        volts = round(self.set_v, 4) + 0.0  # a hand at rest is a fraction of a microvolt off 0
        return f"{volts:.6g} V, {self.direction}"


def output_at(data: CheckData) -> dict[Place, Budget | str]:
    """Mean output voltage at each place, or why there is none, in the order of measuring.

    Places on one range are read in the same way: those where nothing drifts scatter alike.
    """
    sets: dict[Place, list[Reading]] = {}
    for reading in data.of("output-voltage"):
        place = Place(float(reading.at["set_v"]), str(reading.at["direction"]))
        sets.setdefault(place, []).append(reading)
    read = {place: [one for one in readings if one.valid] for place, readings in sets.items()}
    scales = {place: scale_of(data, valid[0]) for place, valid in read.items() if valid}
    values = {place: valid_values(read[place]) for place in scales}
    still = [place for place in scales if scatter_about_drift(values[place]) is None]
    found: dict[Place, Budget | str] = {}
    for place, readings in sets.items():
        if place not in scales:
            found[place] = str(readings[0].reason)
            continue
        name = scales[place].name
        alike = [values[p] for p in still if p != place and scales[p].name == name]
        found[place] = mean_of_readings(
            "output voltage", values[place], scales[place], in_turn=True, alike=alike
        )
    return found


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Errors of the set point (units set remotely only), their straight line, and the panel."""
    judge = Judge(NAME, profile)
    outputs = output_at(data)
    found: list[Finding] = []
    if profile.unit.setting == "remote":
        found += _errors(outputs, profile, judge)
        found += _line(outputs, profile, judge)
    found += knob_findings(data, profile, judge)
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
    shape = np.column_stack([set_v, np.ones_like(set_v)])
    weights = np.linalg.pinv(shape)
    apart = np.eye(len(known)) - shape @ weights
    budgets = list(known.values())
    error_v = np.array([budget.value for budget in budgets]) - set_v
    residual_v = apart @ error_v
    top_v = profile.unit.voltage.high
    allowed_v = limits.limit.at(top_v)
    source = f"follows from the limit of the setting ({limits.source})"
    worst = int(np.argmax(np.abs(residual_v)))
    gain = _fitted("gain error", "%", 100 * weights[0], budgets, set_v)
    offset = _fitted("offset", "V", weights[1], budgets, set_v)
    bend = _fitted("bend", "V", apart[worst], budgets, set_v)
    at = list(known)[worst].words
    return [
        judge.apply(gain, Limit.about(0.0, 100 * allowed_v / top_v), source),
        judge.apply(offset, Limit.about(0.0, limits.limit.at(0.0) or allowed_v), source),
        judge.apply(bend, Limit.about(0.0, allowed_v), source, at=at),
    ]


def off_line_v(outputs: Mapping[Place, Budget | str]) -> dict[Place, float]:
    """How far each place lies from the straight line through all (least squares), V."""
    import numpy as np

    known = {place: one.value for place, one in outputs.items() if isinstance(one, Budget)}
    set_v = np.array([place.set_v for place in known])
    error_v = np.array([*known.values()]) - set_v
    shape = np.column_stack([set_v, np.ones_like(set_v)])
    off_v = error_v - shape @ np.linalg.lstsq(shape, error_v, rcond=None)[0]
    return dict(zip(known, off_v.tolist(), strict=True))


def _fitted(
    what: str, unit: str, weights: FloatArray, budgets: Sequence[Budget], set_v: FloatArray
) -> Budget:
    """Budget of a figure of the fitted line: a weighted sum of the errors at the points.

    Readings on one range of the meter share its error, which by the weights' signs adds to a
    gain and all but leaves a bend (GUM 5.2.2). The figure is that of the line through these set
    points; how far the unit itself bends away from it is the finding "bend", no uncertainty.
    """
    value = sum(
        float(weight) * (budget.value - float(at_v))
        for weight, budget, at_v in zip(weights, budgets, set_v, strict=True)
    )
    carried = [
        line.carried(float(weight))
        for weight, budget in zip(weights, budgets, strict=True)
        for line in budget.lines
    ]
    lines = _gathered(carried, value, unit)
    caveats, notes = merged(b.caveats for b in budgets), merged(b.notes for b in budgets)
    return Budget(what, unit, float(value), tuple(lines), caveats, notes)


def _gathered(carried: Sequence[Line], value: float, unit: str) -> list[Line]:
    """One line for each error that readings share, one for all that is new in each."""
    shared: dict[str, Line] = {}
    for line in carried:
        if line.shared:
            before = shared[line.shared].contribution if line.shared in shared else 0.0
            total = before + line.contribution
            shared[line.shared] = replace(
                line, u=abs(total), sensitivity=math.copysign(1.0, total), value=value, unit=unit
            )
    alone = tuple(line for line in carried if not line.shared)
    if not alone:
        return list(shared.values())
    rest = Budget("rest", unit, value, alone)
    said = f"{len(alone)} lines"
    name = "scatter and last digits at all points"
    dof = max(1.0, rest.dof)
    return [*shared.values(), Line(name, "A", rest.u, value, unit, dof, 1.0, "t", said)]


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
