"""From a value, its uncertainty and a limit to one of four words (ILAC-G8:09/2019, 4.2)."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from enum import StrEnum
from typing import Literal

from runner.metrology.dispersion import Dispersion
from runner.metrology.limit import Limit
from runner.metrology.plain import finite, not_negative
from runner.metrology.risk import probability_outside, uncertainty_ratio

__all__ = ["Judgement", "Outcome", "Rule", "decide", "floor_too_high", "not_measured"]

FLOOR_SHARE = 1 / 3  # Common practice: a floor above a third of the limit proves nothing.
USUAL_RATIO = 4  # Common practice: test uncertainty ratio of at least 4 to 1.
_TWELVE = Context(prec=12)


class Outcome(StrEnum):
    """The words of ILAC-G8:09/2019 4.2.1-4.2.3, and one for what could not be decided."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NOT_MEASURED = "not measured"


_REASONS = {
    Outcome.CONDITIONAL_PASS: "inside the limit by less than the expanded uncertainty",
    Outcome.CONDITIONAL_FAIL: "beyond the limit by no more than the expanded uncertainty",
}


@dataclass(frozen=True)
class Rule:
    """How the uncertainty enters: `simple` acceptance, or `guard-band` with w = U.

    `coverage` is the share that U covers; at 0.95 a pass at the edge of the acceptance zone
    is wrong in at most 2.5 % of cases. For that, w is more than U where the true value lies
    rather on one side (`Dispersion.reach`).
    """

    kind: Literal["simple", "guard-band"] = "guard-band"
    coverage: float = 0.95

    def __post_init__(self) -> None:
        if self.kind not in ("simple", "guard-band"):
            raise ValueError(f"rule: expected simple or guard-band, found {self.kind!r}")
        if not 0 < self.coverage < 1:
            raise ValueError(f"coverage: expected between 0 and 1, found {self.coverage!r}")


@dataclass(frozen=True)
class Judgement:
    """A decision with all that is printed beside it; quantities in the unit of the value.

    `risk` is the chance that the decision is wrong: of false acceptance when it passes, of
    false rejection when it fails, None when nothing was measured. `tur` is the test
    uncertainty ratio. `reason` is set when nothing was measured and for both conditional words;
    `warnings` are further sentences for the report.
    """

    outcome: Outcome
    value: float | None
    limit: Limit | None
    u_expanded: float | None = None
    k: float | None = None
    guard_band: float | None = None
    probability_outside: float | None = None
    tur: float | None = None
    reason: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def risk(self) -> float | None:
        """Chance that this decision is wrong (JCGM 106 specific risk)."""
        if self.probability_outside is None:
            return None
        passing = self.outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS)
        return self.probability_outside if passing else 1 - self.probability_outside


def decide(
    value: float,
    dispersion: Dispersion,
    limit: Limit,
    rule: Rule,
    *,
    caveats: tuple[str, ...] = (),
    floor: float | None = None,
) -> Judgement:
    """Judge `value` against `limit` (same unit).

    A caveat turns a pass into a conditional pass. `floor` is what the bench reads with nothing
    there: above a third of the limit nothing but a failure that survives taking the whole
    floor off is decided. Raises ValueError for a value or floor that is not finite.
    """
    finite("value", value)
    k = dispersion.k(rule.coverage)
    u_expanded = k * dispersion.u
    guard = dispersion.reach(rule.coverage) if rule.kind == "guard-band" else 0.0
    outcome = _zone(value, limit, guard)
    if floor is not None and floor_too_high(floor, limit):
        if _zone(value - floor, limit, guard) is not Outcome.FAIL:
            return not_measured(_floor_sentence(floor), limit)
        outcome = Outcome.FAIL
    reason, said = _REASONS.get(outcome, ""), caveats
    if caveats and outcome is Outcome.PASS:
        outcome, reason, said = Outcome.CONDITIONAL_PASS, "; ".join(caveats), ()
    tur = uncertainty_ratio(limit, u_expanded)
    return Judgement(
        outcome=outcome,
        value=value,
        limit=limit,
        u_expanded=u_expanded,
        k=k,
        guard_band=guard,
        probability_outside=probability_outside(value, dispersion, limit),
        tur=tur,
        reason=reason,
        warnings=said + _warnings(tur),
    )


def not_measured(reason: str, limit: Limit | None = None) -> Judgement:
    """Return the decision for what could not be measured; the reason must be given."""
    if not reason.strip():
        raise ValueError("reason: expected a sentence, found nothing")
    return Judgement(Outcome.NOT_MEASURED, None, limit, reason=reason)


def floor_too_high(floor: float, limit: Limit) -> bool:
    """Tell whether the bench's floor is above a third of what the limit allows."""
    not_negative("floor", floor)
    return _decimal(floor) > _decimal(limit.room * FLOOR_SHARE)


def _zone(value: float, limit: Limit, guard: float) -> Outcome:
    """Return the zone of a value; the edges of zones belong to the better word (G8 4.2.3).

    Decimal arithmetic on twelve digits: in binary, 12.120 - 0.010 is not 12.110.
    """
    y, w = _decimal(value), _decimal(guard)
    margins = []
    if limit.high is not None:
        margins.append(_decimal(limit.high) - y)
    if limit.low is not None:
        margins.append(y - _decimal(limit.low))
    margin = min(margins)
    if margin >= w:
        return Outcome.PASS
    if margin >= 0:
        return Outcome.CONDITIONAL_PASS
    return Outcome.CONDITIONAL_FAIL if w > 0 and margin >= -w else Outcome.FAIL


def _decimal(number: float) -> Decimal:
    return _TWELVE.create_decimal(repr(float(number)))


def _floor_sentence(floor: float) -> str:
    return (
        f"the bench's own floor of {floor:.3g} is above a third of the limit; "
        "a quieter connection or instrument is needed"
    )


def _warnings(tur: float) -> tuple[str, ...]:
    if tur <= 1:
        return ("the bench cannot prove this limit: the uncertainty is as large as what it allows",)
    if tur < USUAL_RATIO:
        return (f"test uncertainty ratio {tur:.1f} to 1, below the usual 4 to 1",)
    return ()
