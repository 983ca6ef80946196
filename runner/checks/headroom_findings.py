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
from runner.metrology.scale import Scale
from runner.metrology.scope_budgets import scope_pp
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["NAME", "findings", "regulation_lost"]

NAME = "headroom"
LOW_SHARE = 0.9
SAG_V = 10e-3
"""The line is lowered until the output falls by this much, or its ripple grows by this much and
to twice what it was (common practice). Doubling alone would be the scope's own: what two samples
of one trace are off by may be more than a quiet unit's ripple."""
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
    floor = [r for r in data.of("floor-pp") if r.range == first.range]
    budget = scope_pp(what, valid_values(readings), scale, floor_pp_v=valid_values(floor))
    reason = "the regulator runs out of raw voltage in the valleys: dropout at low line"
    return judge.apply(budget, limit, limits.source, at=at, reason=reason)


def _sag(
    data: CheckData, profile: Profile, judge: Judge, mine: list[Reading], set_v: float, at: str
) -> Finding:
    """Change of the mean output from nominal to low line; its own limit or the source effect's."""
    limits, least = profile.limit("source-effect"), profile.limit("headroom-sag")
    least_v = least.limit.at(set_v)
    limit = Limit.about(0.0, max(limits.limit.at(set_v), least_v))
    source = (
        f"the larger of {1e3 * least_v:.3g} mV ({least.source}) and the source effect"
        f" ({limits.source})"
    )
    what = "change of output voltage at low line"
    normal = _at_share(mine, "output-voltage", 1.0)
    low = _at_share(mine, "output-voltage", LOW_SHARE)
    if not normal or not low:
        why = "no valid readings at nominal and low line"
        return judge.not_measured(what, "V", why, at=at, limit=limit, source=source)
    scale = scale_of(data, normal[0])
    budget = difference(
        what, valid_values(low), valid_values(normal), scale, paired=False,
        alike=_read_alike(data, scale, but=low + normal),
    )  # fmt: skip
    return judge.apply(budget, limit, source, at=at, reason="dropout at low line")


def _read_alike(data: CheckData, scale: Scale, but: list[Reading]) -> list[list[float]]:
    """Readings of the output other than `but`, in groups by point and line, where it was held.

    All are made in the same way, so that they scatter alike; a lost output swings by itself.
    """
    groups = []
    for point in places(data.readings, "point"):
        mine = [r for r in data.readings if r.at.get("point") == point]
        for share in places(mine, "line_share"):
            seen = _at_share(mine, "output-voltage", float(share))
            if not seen or seen[0] in but or _lost(mine, float(share)):
                continue
            if not _blind(mine, float(share)) and scale_of(data, seen[0]) == scale:
                groups.append(valid_values(seen))
    return groups


def _margin(
    data: CheckData, profile: Profile, judge: Judge, mine: list[Reading], at: str
) -> Finding:
    """How far the line may fall before the output is lost (`regulation_lost`), in percent."""
    what = "line voltage margin"
    limits, nominal_v = profile.limit("headroom-margin"), profile.unit.mains.voltage_v
    limit = Limit.at_least(100 * limits.limit.at(nominal_v) / nominal_v)
    source = limits.source
    shares = sorted({float(r.at["line_share"]) for r in mine if "line_share" in r.at}, reverse=True)
    lost = next((share for share in shares if _lost(mine, share)), None)
    if lost == 1.0 or not _at_share(mine, "output-voltage", 1.0):
        why = "the output cannot be judged at nominal line"
        return judge.not_measured(what, "%", why, at=at, limit=limit, source=source)
    blind = [share for share in shares if _blind(mine, share)]
    if blind:  # the search ended there, and not because regulation was lost
        why = f"nothing valid was read at {100 * blind[0]:.4g} % of nominal line"
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


def _blind(mine: list[Reading], share: float) -> bool:
    """Whether output or ripple at this share of nominal line is not known."""
    return not all(
        valid_values(_at_share(mine, quantity, share))
        for quantity in ("output-voltage", "ripple-pp")
    )


def _lost(mine: list[Reading], share: float) -> bool:
    normal_v = valid_values(_at_share(mine, "output-voltage", 1.0))
    normal_pp_v = valid_values(_at_share(mine, "ripple-pp", 1.0))
    here_v = valid_values(_at_share(mine, "output-voltage", share))
    here_pp_v = valid_values(_at_share(mine, "ripple-pp", share))
    if not (normal_v and normal_pp_v):
        return True
    if _blind(mine, share):
        return False
    return regulation_lost((mean(normal_v), max(normal_pp_v)), (mean(here_v), max(here_pp_v)))


def regulation_lost(normal: tuple[float, float], here: tuple[float, float]) -> bool:
    """Whether mean output and ripple p-p (V) here are no longer those at nominal line."""
    rise_v = here[1] - normal[1]
    return normal[0] - here[0] > SAG_V or rise_v > max(SAG_V, normal[1])
