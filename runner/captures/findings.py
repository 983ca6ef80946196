"""Limits applied to the ripple of a capture: the findings of `asleft ripple`."""

from __future__ import annotations

from runner.captures.ripple import CaptureRipple
from runner.finding import Decision, Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.decision import Outcome, Rule, decide
from runner.metrology.limit import Limit

__all__ = ["ASSUMED_ACCURACY_REL", "findings_of_ripple"]

ASSUMED_ACCURACY_REL = 0.05
"""Half-width taken for a scope nobody has named: wider than the 2 to 4 % usual (from memory)."""

_UNKNOWN = "the scope's accuracy is not known: 5 % assumed"
_ONE_RECORD = "one capture; ten and their largest p-p are good practice"
_CLIPPED = "the trace may be clipped, so the p-p is a lower bound and cannot pass"
_FLOOR = "the scope's own noise is in the figure; measure it with the leads shorted"


def findings_of_ripple(
    ripple: CaptureRipple,
    *,
    limit_pp_v: float | None = None,
    limit_rms_v: float | None = None,
    accuracy: tuple[float, float] | None = None,
) -> list[Finding]:
    """Findings for the limits given (V), with guard band w = U at 95 %.

    `accuracy` is the scope's, as (fraction of the value, V); unknown, 5 % is assumed and a
    pass is conditional at best. The scope's noise is not taken off: it can only turn a pass
    into a failure, so a pass stands and a failure says so. A trace that may be clipped can
    fail but not pass.
    """
    findings = []
    if limit_rms_v is not None:
        findings.append(
            _finding(
                "ripple and noise, rms", ripple.rms_v, ripple.rms_reason, limit_rms_v, ripple,
                accuracy,
            )
        )  # fmt: skip
    if limit_pp_v is not None:
        findings.append(
            _finding(
                "ripple and noise, peak to peak", ripple.pp_v, ripple.pp_reason, limit_pp_v,
                ripple, accuracy,
            )
        )  # fmt: skip
    return findings


def _finding(
    what: str, value: float | None, why_not: str, limit_v: float, ripple: CaptureRipple,
    accuracy: tuple[float, float] | None,
) -> Finding:  # fmt: skip
    at = f"{ripple.capture.path.name}, {ripple.channel}"
    limit = Limit.at_most(limit_v)
    if value is None:
        return Finding(
            "ripple", what, at, None, "V", Decision.NOT_MEASURED, limit_high=limit_v,
            reason=why_not, limit_source="given on the command line",
        )  # fmt: skip
    budget = _budget(what, value, ripple.step_v, accuracy)
    judged = decide(value, budget.dispersion, limit, Rule(), caveats=budget.caveats)
    decision, reason = Decision(judged.outcome.value), judged.reason
    if ripple.clipping_suspected and judged.outcome in (Outcome.PASS, Outcome.CONDITIONAL_PASS):
        decision, reason = Decision.NOT_MEASURED, _CLIPPED
    elif judged.outcome in (Outcome.FAIL, Outcome.CONDITIONAL_FAIL):
        reason = "; ".join(filter(None, (reason, *budget.caveats, _FLOOR)))
    return Finding(
        "ripple", what, at, value, "V", decision, u_expanded=judged.u_expanded, k=judged.k,
        limit_high=limit_v, risk=judged.risk, tur=judged.tur, reason=reason,
        limit_source="given on the command line", budget=budget.rows(),
    )  # fmt: skip


def _budget(what: str, value: float, step_v: float, accuracy: tuple[float, float] | None) -> Budget:
    relative, absolute_v = accuracy or (ASSUMED_ACCURACY_REL, 0.0)
    lines = (
        Line.from_limit(
            "accuracy of the scope", relative * value + absolute_v, value=value, unit="V",
            source="assumed" if accuracy is None else "given on the command line",
        ),
        Line.from_limit("steps of the file", step_v, form="triangular", unit="V"),
    )  # fmt: skip
    caveats = () if accuracy is not None else (_UNKNOWN,)
    return Budget(what, "V", value, lines, caveats, (_ONE_RECORD,))
