"""What the readings with shorted leads and with an earthed output say."""

from __future__ import annotations

import math

from runner.checks.judging import Judge
from runner.checks.ripple_pick_up import EARTHED, HIGH_HZ, NOT_DONE
from runner.checks.scales import scope_scale_of, valid_values
from runner.finding import Decision, Finding
from runner.metrology.budget import Budget
from runner.metrology.limit import Limit
from runner.metrology.scope_budgets import less_floor, scope_rms
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["earthed_findings", "picked_up", "shorted_findings"]

LEADS = (
    "the leads pick this up, it is not the unit's: shorten the loop, twist it or use coax, and"
    " keep it from the transformer"
)


def picked_up(data: CheckData, quantity: str) -> float | None:
    """Largest (peak to peak) or pooled (rms) value with shorted leads, V; None if not taken."""
    values = valid_values(data.of(f"shorted-{quantity}"))
    if not values:
        return None
    return max(values) if quantity == "pp" else math.sqrt(sum(v * v for v in values) / len(values))


def _rms(data: CheckData, what: str, readings: list[Reading]) -> Budget | str:
    valid = [one for one in readings if one.valid]
    if not valid:
        return str(readings[0].reason) if readings else "was not measured"
    scale = scope_scale_of(
        data, valid[0].instrument, float(valid[0].range or 0.0), float(valid[0].at["probe"])
    )
    return scope_rms(what, valid_values(valid), scale)


def _not_done(data: CheckData, step: str) -> bool:
    return any(str(event["step"]).startswith(step) for event in data.events_of(NOT_DONE))


def shorted_findings(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Pick-up of the leads: a bench's shortcoming, so that it can never fail the unit."""
    what, limits = "pick-up of the leads, rms", profile.limit("ripple-rms")
    flat = profile.limit("ripple-pick-up")
    readings = data.of("shorted-rms")
    if not readings:
        if not _not_done(data, "leads shorted"):
            return []
        return [judge.not_measured(what, "V", "the lead was not moved", source=flat.source)]
    set_v = float(readings[0].at["set_v"])
    limit = Limit.at_most(flat.limit.at(limits.limit.at(set_v)))
    budget = _rms(data, what, readings)
    if isinstance(budget, str):
        return [judge.not_measured(what, "V", budget, limit=limit, source=flat.source)]
    at = f"leads shorted, {set_v:.6g} V, {float(readings[0].at['load_a']):.3g} A"
    found = judge.apply(budget, limit, flat.source, at=at)
    if found.decision in {Decision.FAIL, Decision.CONDITIONAL_FAIL}:
        said = f"{1e3 * budget.value:.3g} mV with shorted leads: {LEADS}"
        return [judge.not_measured(what, "V", said, at=at, limit=limit, source=flat.source)]
    return [found]


def earthed_findings(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Ripple with either terminal earthed keeps the limit too; the change says where it is from."""
    found = []
    limits = profile.limit("ripple-rms")
    for strap in EARTHED:
        what = f"ripple and noise with {strap} earthed, rms"
        readings = data.of("strapped-rms", strap=strap)
        if not readings:
            if _not_done(data, "strap"):
                why = "the earth strap was not fitted"
                found.append(judge.not_measured(what, "V", why, source=limits.source))
            continue
        set_v, load_a = float(readings[0].at["set_v"]), float(readings[0].at["load_a"])
        limit, at = Limit.at_most(limits.limit.at(set_v)), f"{set_v:.6g} V, {load_a:.3g} A"
        seen = _rms(data, what, readings)
        valid = [one for one in readings if one.valid]
        floor = [r for r in data.of("floor-rms") if valid and r.range == valid[0].range]
        own = _rms(data, "floor", floor)
        if isinstance(seen, str) or isinstance(own, str):
            why = seen if isinstance(seen, str) else f"the bench's own floor {own}"
            found.append(
                judge.not_measured(what, "V", why, at=at, limit=limit, source=limits.source)
            )
            continue
        budget = less_floor(what, seen, own)
        worst = max(own.value, picked_up(data, "rms") or 0.0)
        said = _change(data, profile, strap)
        found.append(judge.apply(budget, limit, limits.source, at=at, floor=worst, reason=said))
    return found


def _change(data: CheckData, profile: Profile, strap: str) -> str:
    """Which part of the ripple earthing changes most, and what that means."""
    mains_hz = profile.unit.mains.frequency_hz
    parts = {
        f"at {mains_hz:g} Hz: current through the capacitance between the windings":
            ("strapped-f", math.sqrt(0.5)),
        f"above {HIGH_HZ / 1e3:g} kHz: currents of a switching stage, or of its filter capacitors":
            ("strapped-high", 1.0),
    }  # fmt: skip
    changes = {}
    for meaning, (quantity, to_rms) in parts.items():
        before, after = (_first(data, quantity, where) for where in ("none", strap))
        if before is not None and after is not None:
            square = to_rms**2 * (after**2 - before**2)
            changes[meaning] = math.copysign(math.sqrt(abs(square)), square)
    if not changes:
        return ""
    meaning = max(changes, key=lambda one: abs(changes[one]))
    word = "more" if changes[meaning] > 0 else "less"
    return f"{1e3 * abs(changes[meaning]):.3g} mV {word} than floating {meaning}"


def _first(data: CheckData, quantity: str, strap: str) -> float | None:
    found = [r.value for r in data.of(quantity, strap=strap) if r.value is not None]
    return found[0] if found else None
