"""What the headroom readings say: ripple and sag at low line, and the margin of line voltage."""

from __future__ import annotations

from runner.checks.judging import Judge
from runner.checks.load_effect_findings import places
from runner.checks.scales import scale_of, scope_scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.readings import difference, mean_of_readings
from runner.metrology.repeats import mean
from runner.metrology.scope_budgets import scope_pp
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["NAME", "findings"]

NAME = "headroom"
LOW_SHARE = 0.9
MARGIN_PCT = 10.0
SAG_V = 10e-3
LINE_METER_PCT = 0.2
"""Half-width allowed for the line voltage where its meter states no accuracy."""


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Three findings a point."""
    judge = Judge(NAME, profile)
    found = []
    for point in places(data.readings, "point"):
        mine = [r for r in data.readings if r.at.get("point") == point]
        set_v = float(mine[0].at["set_v"])
        at = f"{point}, {set_v:.6g} V, {float(mine[0].at['load_a']):.3g} A"
        found.append(_ripple(data, profile, judge, mine, at))
        found.append(_sag(data, profile, judge, mine, set_v, at))
        found.append(_margin(data, profile, judge, mine, at))
    return found


def _at_share(readings: list[Reading], quantity: str, share: float) -> list[Reading]:
    return [
        r
        for r in readings
        if r.quantity == quantity and r.at.get("line_share") == share and r.valid
    ]


def _ripple(
    data: CheckData, profile: Profile, judge: Judge, mine: list[Reading], at: str
) -> Finding:
    limits = profile.limit(NAME)
    limit = Limit.at_most(limits.limit.at(0.0))
    what = "ripple at low line, peak to peak"
    readings = _at_share(mine, "ripple-pp", LOW_SHARE)
    if not readings:
        why = "no valid scope record at low line"
        return judge.not_measured(what, "V", why, at=at, limit=limit, source=limits.source)
    first = readings[0]
    scale = scope_scale_of(
        data, first.instrument, float(first.range or 0.0), float(first.at["probe"])
    )
    budget = scope_pp(what, valid_values(readings), scale)
    reason = "the regulator runs out of raw voltage in the valleys: dropout at low line"
    return judge.apply(budget, limit, limits.source, at=at, reason=reason)


def _sag(
    data: CheckData, profile: Profile, judge: Judge, mine: list[Reading], set_v: float, at: str
) -> Finding:
    """Change of the mean output from nominal to low line; the source-effect limit and 10 mV."""
    limits = profile.limit("source-effect")
    limit = Limit.about(0.0, max(limits.limit.at(set_v), SAG_V))
    source = f"the larger of 10 mV and the source effect ({limits.source})"
    what = "change of output voltage at low line"
    normal = _at_share(mine, "output-voltage", 1.0)
    low = _at_share(mine, "output-voltage", LOW_SHARE)
    if not normal or not low:
        why = "no valid readings at nominal and low line"
        return judge.not_measured(what, "V", why, at=at, limit=limit, source=source)
    budget = difference(
        what, valid_values(low), valid_values(normal), scale_of(data, normal[0]), paired=False
    )
    return judge.apply(budget, limit, source, at=at, reason="dropout at low line")


def _margin(
    data: CheckData, profile: Profile, judge: Judge, mine: list[Reading], at: str
) -> Finding:
    """How far the line may fall before the output sags or its ripple doubles, in percent."""
    what = "line voltage margin"
    limit = Limit.at_least(MARGIN_PCT)
    source = "common practice: the line may be 10 % low"
    shares = sorted({float(r.at["line_share"]) for r in mine if "line_share" in r.at}, reverse=True)
    lost = next((share for share in shares if _lost(mine, share)), None)
    if lost == 1.0 or not _at_share(mine, "output-voltage", 1.0):
        why = "the output cannot be judged at nominal line"
        return judge.not_measured(what, "%", why, at=at, limit=limit, source=source)
    held = min((share for share in shares if lost is None or share > lost), default=1.0)
    first = lost if lost is not None else held
    budget = _between(data, what, mine, profile.unit.mains.voltage_v, held, first)
    reason = f"regulation is lost between {100 * held:.4g} % and {100 * first:.4g} % of nominal"
    return judge.apply(budget, limit, source, at=at, reason=reason)


def _between(
    data: CheckData, what: str, mine: list[Reading], nominal_v: float, held: float, lost: float
) -> Budget:
    """Margin in percent from the line as measured at the inlet, half-way from held to lost.

    Without a meter there, from what the line was set to.
    """
    lines, shares = [], []
    for share in (held, lost):
        seen = _at_share(mine, "line-voltage", share)
        shares.append(mean(valid_values(seen)) / nominal_v if seen else share)
    value = 100 * (1 - sum(shares) / 2)
    seen = _at_share(mine, "line-voltage", held)
    if seen:
        inlet = mean_of_readings(what, valid_values(seen), scale_of(data, seen[0]))
        lines += [line.carried(-100 / nominal_v) for line in inlet.lines]
    if not lines:
        lines.append(Line.from_limit("line meter", LINE_METER_PCT, value=value, unit="%"))
    if lost < held:
        step_pct = 50 * abs(shares[0] - shares[1])
        lines.append(Line.from_limit("step of the line", step_pct, unit="%"))
    return Budget(what, "%", value, tuple(lines))


def _lost(mine: list[Reading], share: float) -> bool:
    normal_v = valid_values(_at_share(mine, "output-voltage", 1.0))
    normal_pp_v = valid_values(_at_share(mine, "ripple-pp", 1.0))
    here_v = valid_values(_at_share(mine, "output-voltage", share))
    here_pp_v = valid_values(_at_share(mine, "ripple-pp", share))
    if not (normal_v and normal_pp_v and here_v and here_pp_v):
        return True
    sag_v = sum(normal_v) / len(normal_v) - sum(here_v) / len(here_v)
    return sag_v > SAG_V or max(here_pp_v) > 2 * max(normal_pp_v)
