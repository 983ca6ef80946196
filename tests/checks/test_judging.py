"""What a finding says of its uncertainty."""

from __future__ import annotations

from runner.checks.judging import Judge
from runner.finding import Decision, Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.profile import find_profile, load_profile


def _judged(u: float, caveats: tuple[str, ...]) -> Finding:
    judge = Judge("setting", load_profile(find_profile("lb-2403")))
    budget = Budget("offset", "V", 0.001, (Line("scatter", "A", u, dof=4),), caveats)
    return judge.apply(budget, Limit.about(0.0, 0.01), "test")


def test_an_instrument_of_unknown_accuracy_without_scatter_has_no_uncertainty_to_state() -> None:
    """Common practice: an uncertainty that is not known is not one of zero (GUM 3.4.8)."""
    finding = _judged(0.0, ("meter: the accuracy is not known",))
    assert finding.decision is Decision.CONDITIONAL_PASS
    assert finding.u_expanded is finding.k is finding.risk is finding.tur is None


def test_scatter_alone_is_stated_with_its_caveat() -> None:
    finding = _judged(1e-3, ("meter: the accuracy is not known",))
    assert finding.decision is Decision.CONDITIONAL_PASS
    assert finding.u_expanded and finding.k
