"""What the current-limit readings say: error of the limit, load effect of the current, knee."""

from __future__ import annotations

from itertools import pairwise

from runner.checks.indication import true_minus_set
from runner.checks.judging import Judge
from runner.checks.load_effect_findings import places
from runner.checks.scales import scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.readings import difference, mean_of_readings
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["NAME", "findings", "knee_width_a"]

NAME = "current-limit"
DROOP = 0.01
"""The knee begins where the output has fallen by this share of its set point."""
FULLY_LIMITED = 0.25
"""The current is fully limited where the output has fallen by this share (common practice)."""


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """At each setting of the limit, and the knee."""
    judge = Judge(NAME, profile)
    found = []
    for event in data.events_of("no-resistance"):
        why = f"the load cannot be set to a resistance ({event['reason']})"
        found.append(judge.not_measured("error of the limited current", "A", why))
    for set_a in places(data.of("load-current", into="half voltage"), "set_a"):
        found.append(_error(data, profile, judge, float(set_a)))
        found.append(_short(data, profile, judge, float(set_a)))
    return found + _knee(data, profile, judge)


def _current(data: CheckData, what: str, set_a: float, into: str) -> Budget | str:
    readings = data.of("load-current", set_a=set_a, into=into)
    valid = [one for one in readings if one.valid]
    if not valid:
        return str(readings[0].reason) if readings else "was not measured"
    return mean_of_readings(what, valid_values(valid), scale_of(data, valid[0]))


def _error(data: CheckData, profile: Profile, judge: Judge, set_a: float) -> Finding:
    """Error of the limit; for a knob without scale: does it reach the rated current at all."""
    limits = profile.limit(NAME)
    allowed_a = limits.limit.at(set_a)
    at = f"set to {set_a:.4g} A, half voltage"
    by_hand = profile.unit.setting == "hand"
    what = "limited current" if by_hand else "error of the limited current"
    limit = (
        Limit.at_least(set_a - allowed_a, nominal=set_a) if by_hand else Limit.about(0, allowed_a)
    )
    current = _current(data, what, set_a, "half voltage")
    if isinstance(current, str):
        return judge.not_measured(what, "A", current, at=at, limit=limit, source=limits.source)
    if _stayed(data, set_a):
        why = "the limit did not act at half voltage"
        return judge.failed(what, "A", why, limits.source, at=at)
    budget = current if by_hand else true_minus_set(what, current, set_a)
    return judge.apply(budget, limit, limits.source, at=at)


def _stayed(data: CheckData, set_a: float) -> bool:
    """Whether the unit itself says that it was in constant voltage."""
    modes = {
        e["mode"]
        for e in data.events_of("mode")
        if e.get("set_a") == set_a and e.get("into") == "half voltage"
    }
    return modes == {"cv"}


def _short(data: CheckData, profile: Profile, judge: Judge, set_a: float) -> Finding:
    limits = profile.limit("cc-load-effect")
    limit = Limit.about(0.0, limits.limit.at(set_a))
    what = "change of limited current, half voltage to short"
    at = f"set to {set_a:.4g} A"
    half = [r for r in data.of("load-current", set_a=set_a, into="half voltage") if r.valid]
    short = [r for r in data.of("load-current", set_a=set_a, into="short") if r.valid]
    if not half or not short:
        reasons = [e["reason"] for e in data.events_of("no-short") if e["set_a"] == set_a]
        why = f"no short could be made ({reasons[0]})" if reasons else "no valid readings"
        return judge.not_measured(what, "A", why, at=at, limit=limit, source=limits.source)
    budget = difference(
        what,
        valid_values(short),
        valid_values(half),
        scale_of(data, short[0]),
        scale_of(data, half[0]),
        paired=False,
    )
    return judge.apply(budget, limit, limits.source, at=at)


def knee_width_a(set_v: float, points: list[tuple[float, float]]) -> float | str:
    """Width of the knee in A from (volts, amps) pairs, load resistance falling.

    From the current at 1 % droop to that at a quarter of the set voltage gone, each between the
    two points about it: a sharp limit has almost none. Returns why there is none when the sweep
    missed the knee.
    """
    begun = _current_at((1 - DROOP) * set_v, points)
    past = _current_at((1 - FULLY_LIMITED) * set_v, points)
    if begun is None or past is None:
        return "the sweep of the load did not pass through the knee"
    return abs(past - begun)


def _current_at(level_v: float, points: list[tuple[float, float]]) -> float | None:
    """Current in A where the falling voltage first passes a level, by the line between points."""
    for (v0, a0), (v1, a1) in pairwise(points):
        if v0 >= level_v > v1:
            return a0 + (a1 - a0) * (v0 - level_v) / (v0 - v1)
    return None


def _knee(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    amps = [r for r in data.of("load-current") if "knee" in r.at]
    volts = [r for r in data.of("output-voltage") if "knee" in r.at]
    if not amps:
        return []
    set_v, set_a = float(amps[0].at["set_v"]), float(amps[0].at["set_a"])
    limits = profile.limit(NAME)
    limit = Limit.at_most(limits.limit.at(set_a))
    what, at = "width of the knee", f"{set_v:.4g} V, {set_a:.4g} A"
    source = f"no wider than the limit's own tolerance ({limits.source})"
    falling = sorted(
        zip(volts, amps, strict=True), key=lambda pair: -float(pair[0].at.get("ohm", 0.0))
    )
    pairs = [(v.value, a.value) for v, a in falling if v.value is not None and a.value is not None]
    width = knee_width_a(set_v, pairs)
    if isinstance(width, str):
        return [judge.not_measured(what, "A", width, at=at, limit=limit, source=source)]
    base = mean_of_readings(what, [pairs[-1][1]], scale_of(data, amps[0]))
    step_a = _largest_step(pairs, set_v)
    lines = difference(what, [width], [0.0], scale_of(data, amps[0]), paired=False).lines
    budget = Budget(
        what, "A", width,
        (*lines, Line.from_limit("step of the sweep", step_a / 2, unit="A")), base.caveats,
    )  # fmt: skip
    return [judge.apply(budget, limit, source, at=at)]


def _largest_step(pairs: list[tuple[float, float]], set_v: float) -> float:
    """Step of current between the last point before the knee and the next, in A."""
    for (v0, a0), (v1, a1) in pairwise(pairs):
        if v0 >= (1 - DROOP) * set_v > v1:
            return abs(a1 - a0)
    return 0.0
