"""What the current-limit readings say: error of the limit, load effect of the current, knee."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from runner.checks.indication import true_minus_set
from runner.checks.judging import Judge
from runner.checks.load_effect_findings import places
from runner.checks.scales import scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line, merged
from runner.metrology.limit import Limit
from runner.metrology.readings import difference, mean_of_readings, single_reading
from runner.metrology.scale import Scale
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["DROOP", "FULLY_LIMITED", "NAME", "Crossing", "findings", "knee", "knee_width_a"]

NAME = "current-limit"
DROOP = 0.01
"""The knee begins where the output has fallen by this share of its set point."""
LEAST_FOR_CURVE = 4
STEP = 1e-7
"""Of the largest current: small beside any scatter, large beside the computer's rounding."""
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


@dataclass(frozen=True, slots=True)
class Crossing:
    """Current in A at which the falling voltage passes a level, between two points of the sweep.

    ``amps_per_v`` is the slope there, ``between_a`` how far the curve may lie from ``amps`` (see
    `_width`), ``spread`` what is left of one reading's scatter in the two together.
    """

    amps: float
    volts: float
    amps_per_v: float
    between_a: float
    spread: float


def knee(set_v: float, points: list[tuple[float, float]]) -> tuple[Crossing, Crossing] | str:
    """Where the knee begins and where it is past, from (volts, amps) pairs, resistance falling.

    At 1 % droop and at a quarter of the set voltage gone. Returns why there is none when the
    sweep missed the knee, or when the output came up again under more load.
    """
    levels_v = ((1 - DROOP) * set_v, (1 - FULLY_LIMITED) * set_v)
    volts = [v for v, _ in points]
    if points and any(volts[-1] >= level_v > min(volts) for level_v in levels_v):
        return "the output came up again under the heaviest load: a limit that does not hold"
    begun, past = (_crossing(level_v, points) for level_v in levels_v)
    if begun is None or past is None:
        return "the sweep of the load did not pass through the knee"
    return begun, past


def knee_width_a(set_v: float, points: list[tuple[float, float]]) -> float | str:
    """Width of the knee in A: a sharp limit has almost none; why there is none, see `knee`."""
    found = knee(set_v, points)
    return found if isinstance(found, str) else abs(found[1].amps - found[0].amps)


def _crossing(level_v: float, points: list[tuple[float, float]]) -> Crossing | None:
    for (v0, a0), (v1, a1) in pairwise(points):
        if v0 >= level_v > v1:
            part, slope = (v0 - level_v) / (v0 - v1), (a1 - a0) / (v1 - v0)
            chord_a, falling = a0 + (a1 - a0) * part, _falling(points)
            amps = _on_curve(level_v, falling, chord_a)
            spread = _spread(level_v, falling, part)
            sides_a = (chord_a, _beyond(level_v, falling, chord_a))
            return Crossing(amps, level_v, slope, max(abs(amps - a) for a in sides_a), spread)
    return None


def _falling(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The points without a flat top whose scatter goes up again: the later are the nearer."""
    falling: list[tuple[float, float]] = []
    for one in points:
        while falling and one[0] >= falling[-1][0]:
            falling.pop()
        falling.append(one)
    return falling


def _on_curve(level_v: float, falling: list[tuple[float, float]], chord_a: float) -> float:
    """Current at a level by piecewise cubics that keep the points' order (Fritsch and Carlson)."""
    from scipy.interpolate import PchipInterpolator

    if len(falling) < LEAST_FOR_CURVE:
        return chord_a
    volts, amps = zip(*reversed(falling), strict=True)
    return float(PchipInterpolator(volts, amps)(level_v))


def _spread(level_v: float, falling: list[tuple[float, float]], part: float) -> float:
    """Scatter of the current on the curve, over that of one reading: sqrt(sum (dI/dI_k)^2).

    GUM 5.1.2, the partial derivatives by small steps; on the chord they are its two parts.
    """
    if len(falling) < LEAST_FOR_CURVE:
        return math.hypot(part, 1 - part)
    step_a = STEP * max(abs(a) for _, a in falling)
    here_a = _on_curve(level_v, falling, 0.0)
    moved_a = (
        _on_curve(level_v, [(v, a + step_a * (k == n)) for k, (v, a) in enumerate(falling)], 0.0)
        for n in range(len(falling))
    )
    return math.hypot(*((one - here_a) / step_a for one in moved_a))


def _beyond(level_v: float, falling: list[tuple[float, float]], chord_a: float) -> float:
    """Current at a level on the nearer of the lines through the neighbours of its two points."""
    after = next(n for n, (v, _) in enumerate(falling) if v < level_v)
    pairs = ((after - 2, after - 1), (after, after + 1))
    lines = [
        a0 + (a1 - a0) * (level_v - v0) / (v1 - v0)
        for i, k in pairs
        if i >= 0 and k < len(falling)
        for (v0, a0), (v1, a1) in [(falling[i], falling[k])]
    ]
    return min(lines, key=lambda amps: abs(amps - chord_a), default=chord_a)


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
    found = knee(set_v, pairs)
    if isinstance(found, str):
        return [judge.not_measured(what, "A", found, at=at, limit=limit, source=source)]
    scales = scale_of(data, amps[0]), scale_of(data, next(v for v in volts if v.valid))
    return [judge.apply(_width(what, *found, *scales), limit, source, at=at)]


def _width(what: str, begun: Crossing, past: Crossing, amps: Scale, volts: Scale) -> Budget:
    """Budget of the width: both currents, the voltages at which they are taken, and the curve.

    The curve bends one way, so between two points it lies inside the triangle that the line
    between them makes with the lines through their neighbours; cubics run through its middle,
    and only a curve with a corner reaches its sides: a triangular distribution (GUM 4.3.9), as
    wide as the side that is farther from the cubic. Where points are missing that is far.
    """
    lines = [
        Line(f"{amps.name}, on the difference", "B", amps.difference_u(past.amps - begun.amps),
             unit="A", distribution=amps.distribution, source=amps.source),
    ]  # fmt: skip
    for sign, one in ((1.0, past), (-1.0, begun)):
        read = single_reading(what, one.amps, amps).lines
        lines += [line.carried(sign * one.spread) for line in read if not line.shared]
        at_v = single_reading("level", one.volts, volts).lines
        lines += [line.carried(sign * one.amps_per_v, into="level") for line in at_v]
        lines.append(
            Line.from_limit("curve between two points", one.between_a, form="triangular", unit="A")
        )
    caveats = merged(single_reading(what, 1.0, scale).caveats for scale in (amps, volts))
    return Budget(what, "A", abs(past.amps - begun.amps), tuple(lines), caveats)
