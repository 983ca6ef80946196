"""What the earth-reference readings say: ohms of each terminal to earth, current it can drive."""

from __future__ import annotations

import math
from statistics import NormalDist

from runner.checks.scales import scale_of
from runner.finding import Decision, Finding
from runner.hookup.earth_reference import AvailableCurrent, Kind, TerminalReference
from runner.hookup.measured import earth_measured
from runner.profile import Profile
from runner.quantity import format_quantity
from runner.record.reader import CheckData

__all__ = ["NAME", "findings"]

NAME = "earth-reference"
ONE_TAIL = 0.025
K95 = 1.96  # two-sided 95 % of the normal distribution
ALIKE = 0.9
"""From this ratio on both arms of an interval are taken as one half-width."""
_SIGNS = {"unit.plus": "plus", "unit.minus": "minus"}
_EARTHED = {"negative-earthed": "unit.minus", "positive-earthed": "unit.plus"}


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """One finding a terminal, and one for the current of the stray capacitance."""
    reference = earth_measured(data)
    if not reference.terminals:
        return [
            Finding(
                NAME, "resistance to earth", "", None, "Ω", Decision.NOT_MEASURED,
                reason="the readings are not complete, or the output was too low",
            )
        ]  # fmt: skip
    caveats = sorted({c for one in data.readings if one.valid for c in scale_of(data, one).caveats})
    earthed = _EARTHED.get(profile.unit.output)
    found = [
        _tied(terminal, one) if terminal == earthed else _resistance(terminal, one, profile)
        for terminal, one in reference.terminals.items()
    ]
    if reference.available is not None and earthed is None:
        found.append(_current(reference.available, profile))
    return [_capped(one, caveats) for one in found]


def _tied(terminal: str, one: TerminalReference) -> Finding:
    """Say whether an output that is earthed by design is so."""
    hard = one.kind is Kind.HARD
    return Finding(
        NAME, f"tie of {_SIGNS[terminal]} to earth", "", one.ohms, "Ω",
        Decision.PASS if hard else Decision.FAIL,
        u_expanded=_half_width(one.ohms, one.low_ohms, one.high_ohms),
        reason="" if hard else f"the profile says it is earthed, found: {one.kind}",
        limit_source="profile, output",
    )  # fmt: skip


def _resistance(terminal: str, one: TerminalReference, profile: Profile) -> Finding:
    resolved = profile.limit("earth-resistance")
    least_ohms = resolved.limit.absolute
    bound_ohms = one.high_ohms if one.kind is Kind.HARD else one.low_ohms
    value = one.ohms if one.ohms is not None else bound_ohms
    high = "∞" if math.isinf(one.high_ohms) else format_quantity(one.high_ohms, "Ω", 3)
    reason = f"{one.kind}; 95 % interval {format_quantity(one.low_ohms, 'Ω', 3)} to {high}"
    decision = _decide(one, value, least_ohms, profile.decision.rule)
    hidden = one.kind is Kind.MASKED and decision is not Decision.PASS
    return Finding(
        NAME, f"resistance of {_SIGNS[terminal]} to earth", "",
        None if hidden else value, "Ω", Decision.NOT_MEASURED if hidden else decision,
        u_expanded=_half_width(one.ohms, one.low_ohms, one.high_ohms), limit_low=least_ohms,
        reason=reason if one.ohms is not None or hidden else reason + "; the value is that bound",
        limit_source=resolved.source, k=K95,
        risk=None if hidden else _risk((one.low_ohms, one.high_ohms), least_ohms, decision, True),
    )  # fmt: skip


def _decide(one: TerminalReference, value: float, least_ohms: float, rule: str) -> Decision:
    good = value >= least_ohms
    if rule == "simple":
        return Decision.PASS if good else Decision.FAIL
    if one.low_ohms >= least_ohms:
        return Decision.PASS
    if one.high_ohms < least_ohms:
        return Decision.FAIL
    return Decision.CONDITIONAL_PASS if good else Decision.CONDITIONAL_FAIL


def _current(stray: AvailableCurrent, profile: Profile) -> Finding:
    resolved = profile.limit("earth-current")
    most_a = resolved.limit.absolute
    if stray.amps is None and math.isinf(stray.high_a):
        value, decision = None, Decision.NOT_MEASURED
        reason = stray.why
    else:
        value = stray.amps if stray.amps is not None else stray.high_a
        low, high = (format_quantity(a, "A", 3) for a in (stray.low_a, stray.high_a))
        reason = f"95 % interval {low} to {high}"
        if stray.high_a <= most_a:
            decision = Decision.PASS
        elif stray.low_a > most_a:
            decision = Decision.FAIL
        elif profile.decision.rule == "simple":
            decision = Decision.PASS if value <= most_a else Decision.FAIL
        else:
            good = value <= most_a
            decision = Decision.CONDITIONAL_PASS if good else Decision.CONDITIONAL_FAIL
    return Finding(
        NAME, "current the output can drive to earth, line frequency", "", value, "A", decision,
        u_expanded=_half_width(stray.amps, stray.low_a, stray.high_a), limit_high=most_a,
        reason=reason, limit_source=resolved.source, k=K95,
        risk=None
        if value is None
        else _risk((stray.low_a, stray.high_a), most_a, decision, False),
    )  # fmt: skip


def _risk(
    interval: tuple[float, float], limit: float, decision: Decision, limit_is_low: bool
) -> float:
    """Specific risk of the decision (JCGM 106, 7), the quantity taken as log-normal.

    The 95 % interval gives the spread of the logarithm, as leaks range over decades. An
    interval open at one end bounds the risk by its own 2.5 %.
    """
    low, high = interval
    if low <= 0.0 or math.isinf(high) or low == high:
        return ONE_TAIL
    spread = (math.log(high) - math.log(low)) / (2.0 * K95)
    middle = 0.5 * (math.log(high) + math.log(low))
    below = NormalDist().cdf((math.log(limit) - middle) / spread)
    bad = below if limit_is_low else 1.0 - below
    return bad if decision in {Decision.PASS, Decision.CONDITIONAL_PASS} else 1.0 - bad


def _half_width(value: float | None, low: float, high: float) -> float | None:
    """Expanded uncertainty; None for a bound only.

    Half the interval, as first order has it (GUM 5.1.2), where its arms are nearly alike; the
    longer arm where they are not. The decision rests on the interval itself.
    """
    if value is None or math.isinf(high):
        return None
    shorter, longer = sorted((value - low, high - value))
    return (shorter + longer) / 2 if shorter >= ALIKE * longer else longer


def _capped(finding: Finding, caveats: list[str]) -> Finding:
    """An instrument of unknown accuracy cannot give a plain pass."""
    if not caveats or finding.decision is not Decision.PASS:
        return finding
    data = finding.to_dict()
    data["decision"] = Decision.CONDITIONAL_PASS
    data["reason"] = "; ".join([finding.reason, *caveats])
    return Finding.from_dict(data)
