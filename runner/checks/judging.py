"""One budget against one limit: a finding."""

from __future__ import annotations

import math
from dataclasses import replace

from runner.finding import Decision, Finding
from runner.metrology.budget import Budget
from runner.metrology.coverage import t_factor
from runner.metrology.decision import Judgement, Outcome, Rule, decide
from runner.metrology.limit import Limit
from runner.profile import Profile

__all__ = ["Judge"]


class Judge:
    """Makes the findings of one check under one profile's decision rule."""

    def __init__(self, check: str, profile: Profile) -> None:
        self._check = check
        self._rule = Rule(profile.decision.rule, profile.decision.coverage)

    def apply(
        self,
        budget: Budget,
        limit: Limit,
        source: str,
        *,
        at: str = "",
        floor: float | None = None,
        reason: str = "",
    ) -> Finding:
        """Judge the budget's value; its quantity is the finding's ``what``, units are its own.

        ``floor`` is what the bench shows with nothing there (same unit). ``reason`` is said
        beside a decision other than pass.
        """
        judgement = decide(
            budget.value, budget.dispersion, limit, self._rule, caveats=budget.caveats, floor=floor
        )
        finding = self._finding(judgement, budget, limit, source, at)
        if reason and finding.decision is not Decision.PASS:
            said = f"{finding.reason}; {reason}" if finding.reason else reason
            return replace(finding, reason=said)
        return finding

    def _finding(
        self, judgement: Judgement, budget: Budget, limit: Limit, source: str, at: str
    ) -> Finding:
        # nothing known and nothing scattered: no uncertainty is not an uncertainty of nothing
        known = bool(judgement.u_expanded) or not budget.caveats
        return Finding(
            check=self._check,
            what=budget.quantity,
            at=at,
            value=judgement.value,
            unit=budget.unit,
            decision=Decision(judgement.outcome.value),
            u_expanded=judgement.u_expanded if known else None,
            k=judgement.k if known else None,
            dof=_finite(budget.dof),
            limit_low=limit.low,
            limit_high=limit.high,
            risk=judgement.risk if known else None,
            tur=_finite(judgement.tur) if known else None,
            reason="; ".join(filter(None, (judgement.reason, *_told(judgement)))),
            limit_source=source,
            budget=budget.rows(),
        )

    def count(
        self, what: str, value: float, limit: Limit, source: str, *, at: str = "", reason: str = ""
    ) -> Finding:
        """Judge something counted: exact, without uncertainty."""
        low, high = limit.low, limit.high
        good = (low is None or value >= low) and (high is None or value <= high)
        return Finding(
            check=self._check, what=what, at=at, value=value, unit="",
            decision=Decision.PASS if good else Decision.FAIL,
            u_expanded=0.0, k=t_factor(self._rule.coverage, math.inf),
            limit_low=low, limit_high=high, risk=0.0,
            reason="" if good else reason, limit_source=source,
        )  # fmt: skip

    def failed(self, what: str, unit: str, reason: str, source: str, *, at: str = "") -> Finding:
        """Return the finding of something that had to be there and is not."""
        return Finding(
            check=self._check, what=what, at=at, value=None, unit=unit,
            decision=Decision.FAIL, reason=reason, limit_source=source,
        )  # fmt: skip

    def not_measured(
        self, what: str, unit: str, reason: str, *, at: str = "", limit: Limit | None = None,
        source: str = "",
    ) -> Finding:  # fmt: skip
        """Return the finding of what could not be measured, with its reason."""
        return Finding(
            check=self._check, what=what, at=at, value=None, unit=unit,
            decision=Decision.NOT_MEASURED, reason=reason,
            limit_low=limit.low if limit else None, limit_high=limit.high if limit else None,
            limit_source=source,
        )  # fmt: skip


def _told(judgement: Judgement) -> tuple[str, ...]:
    """Warnings about the bench; a plain fail stands in spite of them."""
    return () if judgement.outcome is Outcome.FAIL else judgement.warnings


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None
