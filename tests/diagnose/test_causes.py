"""The table of causes: complete, and each cause is found by the signs that it is said to bring."""

from __future__ import annotations

import pytest

from runner.diagnose.causes import HEALTHY, Cause, applicable, load_causes
from runner.diagnose.diagnosis import judge_features
from runner.diagnose.feature import Feature
from runner.diagnose.fitted import kind_of, load_fitted
from runner.diagnose.likelihood import StateTable, expected, together
from runner.finding import Decision, Finding
from runner.profile import Profile, find_profile, load_profile
from sim_instruments.plant import FAULTS

PROFILE = {
    name: load_profile(find_profile(name)) for name in ("lb-2403", "lb-3605", "kn-1502", "sc-2502")
}
NAMES = sorted({name for c in load_causes() for name in (*c.shows, *c.may)})


def _unit_of(cause: str) -> Profile:
    by_cause = {"pot-noisy": "kn-1502", "pot-open": "kn-1502", "tap-order-swapped": "lb-3605",
               "reverse-diode-open": "sc-2502"}  # fmt: skip
    return PROFILE[by_cause.get(cause, "lb-2403")]


def _failing(over: float) -> Finding:
    return Finding(
        "ripple", "ripple and noise, rms", "", 2e-3 + over, "V", Decision.CONDITIONAL_FAIL,
        u_expanded=1e-4, limit_high=2e-3,
    )  # fmt: skip


def _features(cause: Cause | None, profile: Profile, **seen: str) -> dict[str, Feature]:
    """The most usual state of every feature under a cause, or of a healthy unit."""
    table = StateTable(load_fitted(), kind_of(profile))
    usual = {n: max(p, key=lambda s: p[s]) for n in NAMES if (p := table.of(cause, n))}
    return {name: Feature(state, name) for name, state in {**usual, **seen}.items()}


def test_every_fault_that_can_be_simulated_is_a_cause() -> None:
    assert {cause.name for cause in load_causes()} == set(FAULTS)


@pytest.mark.parametrize("one", load_causes(), ids=lambda c: c.name)
def test_a_cause_is_first_by_its_own_signs(one: Cause) -> None:
    profile = _unit_of(one.name)
    suspects, _ = judge_features(_features(one, profile), profile, [_failing(1.0)])
    assert suspects[0].cause == one.name
    assert suspects[0].for_
    assert one.next in suspects[0].next


def test_a_failure_within_its_uncertainty_is_called_bad_luck() -> None:
    profile = PROFILE["lb-2403"]
    suspects, _ = judge_features(_features(None, profile), profile, [_failing(5e-5)])
    assert suspects[0].cause == "bad-luck"


def test_signs_that_no_cause_brings_together_fit_none() -> None:
    profile = PROFILE["lb-2403"]
    odd = {name: c.shows[name][0] for c in load_causes() for name in c.shows}
    suspects, _ = judge_features(_features(None, profile, **odd), profile, [_failing(1.0)])
    assert suspects[0].cause == "none-of-these"


def test_two_faults_are_both_named() -> None:
    profile = PROFILE["lb-2403"]
    chatter = next(cause for cause in load_causes() if cause.name == "tap-chatter")
    features = _features(chatter, profile, earth_plus="short")
    suspects, told = judge_features(features, profile, [_failing(1.0)])
    first = {s.cause for s in suspects[:4]}
    assert {"output-earth-short-positive", "tap-chatter"} <= first
    assert told


def test_a_short_and_a_leak_that_are_not_told_apart_explain_a_tie_alike() -> None:
    """P(one or the other) is the sum of both, so a cause of either keeps what it has of the two."""
    table = StateTable(load_fitted(), kind_of(PROFILE["lb-2403"]))
    causes = {cause.name: cause for cause in load_causes()}
    both = [
        table.p(causes[name], "earth_minus", "short or leak")
        for name in ("output-earth-short-negative", "output-earth-leak", "pass-short")
    ]
    assert min(both[:2]) > 0.4  # a leak may be on the other terminal
    assert both[2] < 0.02
    short, leak = (
        table.p(causes["output-earth-leak"], "earth_minus", s) for s in ("short", "leak")
    )
    assert both[1] == pytest.approx(short + leak, rel=0.01)
    assert not table.knows("earth_minus", "short or unheard-of")


def test_a_tie_beside_a_shorted_pass_transistor_is_named_too() -> None:
    profile = PROFILE["lb-2403"]
    causes = {cause.name: cause for cause in load_causes()}
    features = _features(causes["pass-short"], profile, earth_minus="short or leak")
    del features["earth_leak"]
    suspects, told = judge_features(features, profile, [_failing(1.0)])
    assert suspects[0].cause == "pass-short"
    assert {s.cause for s in suspects[:3]} >= {"output-earth-short-negative", "output-earth-leak"}
    assert told[0]["causes"] == ["pass-short", "output-earth-short-negative"]


def test_of_two_signs_the_less_usual_one_shows() -> None:
    # By hand: P(bad) = 1 - P(neither bad) = 1 - 0.5 * 0.8.
    healthy = {"ok": 0.9, "bad": 0.1}
    joint = together({"ok": 0.5, "bad": 0.5}, {"ok": 0.8, "bad": 0.2}, healthy)
    assert joint == pytest.approx({"ok": 0.4, "bad": 0.6})


def test_expected_states_share_what_the_table_says() -> None:
    # By hand: 0.85 on the two graded "bad", 0.15 spread as in a healthy unit.
    cause = Cause("c", "", "", shows={"knee": ["bad"]})
    found = expected(cause, "knee", {"ok": 0.8, "bad": 0.1, "bad far": 0.1})
    assert found == pytest.approx({"ok": 0.12, "bad": 0.44, "bad far": 0.44})
    assert expected(cause, "gain", {"ok": 1.0}) == {"ok": 1.0}


def test_a_unit_without_taps_has_no_tap_causes() -> None:
    plain = load_profile(find_profile("sw-3010"))
    assert not {c.name for c in applicable(plain)} & {"tap-chatter", "coil-weak", "pot-open"}


def test_probabilities_are_probabilities() -> None:
    profile = PROFILE["lb-2403"]
    features = _features(None, profile, gain="low")
    suspects, _ = judge_features(features, profile, [_failing(1.0)])
    assert all(0.0 <= s.probability <= 1.0 for s in suspects)
    assert [s.probability for s in suspects] == sorted(
        (s.probability for s in suspects), reverse=True
    )
    assert {"ok"} <= HEALTHY
