"""Decision words and risks against ILAC-G8:09/2019 and JCGM 106:2012."""

from __future__ import annotations

import math

import pytest

from runner.metrology.decision import Outcome, Rule, decide, floor_too_high, not_measured
from runner.metrology.dispersion import Dispersion
from runner.metrology.limit import Limit, Tolerance
from runner.metrology.risk import guard_band_for_risk, probability_outside, uncertainty_ratio

from .outside import OUTSIDE

G8 = OUTSIDE["ilac_g8_words"]
G8_RULE = Rule("guard-band", G8["coverage"])  # U = 2 u exactly, as the worked case has it


@pytest.mark.parametrize(
    ("y", "outside", "word"), list(zip(G8["y_v"], G8["outside"], G8["words"], strict=True))
)
def test_ilac_g8_worked_case(y: float, outside: float, word: str) -> None:
    judged = decide(y, Dispersion(G8["u_v"]), Limit.at_most(G8["limit_v"]), G8_RULE)
    assert judged.outcome == word
    assert judged.u_expanded == pytest.approx(0.010)
    assert judged.probability_outside == pytest.approx(outside, rel=2e-3)
    right = outside if "pass" in word else 1 - outside
    assert judged.risk == pytest.approx(right, abs=1e-5)


def test_conditional_words_say_why() -> None:
    limit = Limit.at_most(G8["limit_v"])
    inside, beyond = (decide(y, Dispersion(G8["u_v"]), limit, G8_RULE) for y in (12.115, 12.125))
    assert inside.reason == "inside the limit by less than the expanded uncertainty"
    assert beyond.reason == "beyond the limit by no more than the expanded uncertainty"


@pytest.mark.parametrize(("y", "word"), [(12.1301, "fail"), (12.1299, "conditional fail")])
def test_ilac_g8_beyond_the_limit_and_u(y: float, word: str) -> None:
    judged = decide(y, Dispersion(G8["u_v"]), Limit.at_most(G8["limit_v"]), G8_RULE)
    assert judged.outcome == word


def test_ilac_g8_words_mirror_at_a_low_limit() -> None:
    # 4.2.3 holds for either side: the same distances below a lower limit give the same words.
    for y, word in zip(G8["y_v"], G8["words"], strict=True):
        judged = decide(-y, Dispersion(G8["u_v"]), Limit.at_least(-G8["limit_v"]), G8_RULE)
        assert judged.outcome == word


def test_ilac_g8_simple_acceptance_is_binary() -> None:
    limit = Limit.at_most(G8["limit_v"])
    rule = Rule("simple", G8["coverage"])
    words = [decide(y, Dispersion(G8["u_v"]), limit, rule).outcome for y in G8["y_v"]]
    assert words == [Outcome.PASS] * 4 + [Outcome.FAIL] * 2


def test_ilac_g8_risk_at_the_acceptance_limit() -> None:
    table = OUTSIDE["ilac_g8_risk"]
    limit, spread = Limit.at_most(0.0), Dispersion(0.5)
    for share, risk, below in zip(
        table["w_over_u"], table["risk"], table["published_below"], strict=True
    ):
        found = probability_outside(-share, spread, limit)  # U = 2 u = 1
        assert found == pytest.approx(risk, rel=2e-3)
        assert found < below


def test_normal_guard_bands_for_a_given_risk() -> None:
    table = OUTSIDE["normal_guard_bands"]
    for risk, w in zip(table["risk"], table["w_over_standard_u"], strict=True):
        assert guard_band_for_risk(risk, Dispersion(1.0)) == pytest.approx(w, abs=5e-5)
    assert guard_band_for_risk(0.5, Dispersion(1.0)) == 0


def test_jcgm_106_conformance_between_two_limits() -> None:
    case = OUTSIDE["jcgm_106"]
    limit = Limit(case["low"], case["high"])
    outside = probability_outside(case["value"], Dispersion(case["u"]), limit)
    assert 1 - outside == pytest.approx(case["probability"], abs=5e-7)


def test_risk_with_few_readings_follows_student() -> None:
    # GUM table G.2 (mem): t for 95 % and 4 degrees of freedom is 2.78, so 2.5 % lie beyond it.
    outside = probability_outside(-2.776, Dispersion(1.0, dof=4), Limit.at_most(0.0))
    assert outside == pytest.approx(0.025, abs=2e-5)


def test_two_limits_too_near_leave_no_pass() -> None:
    judged = decide(0.0, Dispersion(1.0), Limit(-1.0, 1.0), Rule())
    assert judged.outcome is Outcome.CONDITIONAL_PASS
    assert judged.tur is not None
    assert judged.tur < 1
    assert "cannot prove" in judged.warnings[0]


def test_caveat_caps_a_pass_and_leaves_a_fail() -> None:
    limit, spread = Limit.at_most(1.0), Dispersion(0.01)
    for rule in (Rule(), Rule("simple")):
        capped = decide(0.5, spread, limit, rule, caveats=("calibration overdue",))
        assert capped.outcome is Outcome.CONDITIONAL_PASS
        assert capped.reason == "calibration overdue"
        failed = decide(2.0, spread, limit, rule, caveats=("calibration overdue",))
        assert failed.outcome is Outcome.FAIL
        assert failed.warnings[0] == "calibration overdue"


def test_floor_above_a_third_never_passes() -> None:
    # Common practice: 3 mV floor of a 10:1 probe cannot prove 1 mV; 0.295 mV at 1:1 can.
    limit, spread = Limit.at_most(1e-3), Dispersion(1e-6)
    assert floor_too_high(3e-3, limit)
    assert not floor_too_high(0.295e-3, limit)
    assert not floor_too_high(1e-3 / 3, limit)
    judged = decide(0.2e-3, spread, limit, Rule(), floor=0.5e-3)
    assert judged.outcome is Outcome.NOT_MEASURED
    assert judged.value is None
    assert "a third" in judged.reason
    assert decide(0.2e-3, spread, limit, Rule(), floor=0.1e-3).outcome is Outcome.PASS


def test_failure_that_survives_taking_the_floor_off_is_a_failure() -> None:
    judged = decide(50e-3, Dispersion(1e-4), Limit.at_most(1e-3), Rule(), floor=3e-3)
    assert judged.outcome is Outcome.FAIL


def test_uncertainty_ratio() -> None:
    # Common practice: 4:1. A limit of +-4.2 mV and U = 1.05 mV is just that.
    assert uncertainty_ratio(Limit.about(0.0, 4.2e-3), 1.05e-3) == pytest.approx(4)
    assert uncertainty_ratio(Limit.at_most(1e-3), 0.25e-3) == pytest.approx(4)
    assert uncertainty_ratio(Limit.at_least(9.0, nominal=10.0), 0.5) == pytest.approx(2)
    assert uncertainty_ratio(Limit.at_most(1.0), 0.0) == math.inf


def test_supply_limit_of_relative_and_absolute_part() -> None:
    terms = OUTSIDE["supply_terms"]
    half = Tolerance(terms["limit_pct"], terms["limit_fixed_v"]).half_width(12.0)
    assert half * 1000 == pytest.approx(terms["limit_at_12_v_mv"], rel=1e-12)
    assert Limit.about(12.0, half).room == pytest.approx(half)


def test_not_measured_wants_a_reason() -> None:
    assert not_measured("no scope on this bench").outcome == "not measured"
    with pytest.raises(ValueError, match="reason: expected a sentence"):
        not_measured(" ")


@pytest.mark.parametrize(
    ("build", "text"),
    [
        (Limit, "expected a low or a high limit, found neither"),
        (lambda: Limit(2.0, 1.0), "low: expected at most the high 1.0, found 2.0"),
        (lambda: Limit.at_most(math.nan), "high: expected a finite number, found nan"),
        (lambda: Rule("loose"), "rule: expected simple or guard-band, found 'loose'"),  # type: ignore[arg-type]
        (lambda: Rule(coverage=1.0), "coverage: expected between 0 and 1, found 1.0"),
        (lambda: Tolerance(-1.0), "pct: expected a finite number, zero or above, found -1.0"),
    ],
)
def test_what_cannot_be_is_said(build, text: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match="expected") as caught:
        build()
    assert text in str(caught.value)
