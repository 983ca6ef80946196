"""The table of causes: complete, and each cause is found by the signs that it is said to bring."""

from __future__ import annotations

import pytest

from runner.diagnose.causes import HEALTHY, Cause, applicable, load_causes
from runner.diagnose.diagnosis import judge_features
from runner.diagnose.features import Feature
from runner.finding import Decision, Finding
from runner.profile import find_profile, load_profile
from sim_instruments.plant import FAULTS

PROFILE = {name: load_profile(find_profile(name)) for name in ("lb-2403", "lb-3605", "kn-1502")}
QUIET = {"load": "none", "headroom": "none", "ripple_where": "none", "ripple_line": "quiet",
         "tripped": "no", "tap_unseen": "no", "earth_leak": "no"}  # fmt: skip
NAMES = sorted({name for c in load_causes() for name in (*c.shows, *c.may)})


def _unit_of(cause: str) -> str:
    return {"pot-noisy": "kn-1502", "pot-open": "kn-1502", "tap-order-swapped": "lb-3605"}.get(
        cause, "lb-2403"
    )


def _failing(over: float) -> Finding:
    return Finding(
        "ripple", "ripple and noise, rms", "", 2e-3 + over, "V", Decision.CONDITIONAL_FAIL,
        u_expanded=1e-4, limit_high=2e-3,
    )  # fmt: skip


def _features(**seen: str) -> dict[str, Feature]:
    healthy = {name: QUIET.get(name, "ok") for name in NAMES}
    return {name: Feature(state, name) for name, state in {**healthy, **seen}.items()}


def test_every_fault_that_can_be_simulated_is_a_cause() -> None:
    assert {cause.name for cause in load_causes()} == set(FAULTS)


@pytest.mark.parametrize("one", load_causes(), ids=lambda c: c.name)
def test_a_cause_is_first_by_its_own_signs(one: Cause) -> None:
    seen = {name: states[0] for name, states in one.shows.items()}
    profile = PROFILE[_unit_of(one.name)]
    suspects, _ = judge_features(_features(**seen), profile, [_failing(1.0)])
    assert suspects[0].cause == one.name
    assert suspects[0].for_
    assert one.next in suspects[0].next


def test_a_failure_within_its_uncertainty_is_called_bad_luck() -> None:
    features = _features()
    suspects, _ = judge_features(features, PROFILE["lb-2403"], [_failing(5e-5)])
    assert suspects[0].cause == "bad-luck"


def test_signs_that_no_cause_brings_together_fit_none() -> None:
    wild = {name: "strange" for name in NAMES[::2]}
    suspects, _ = judge_features(_features(**wild), PROFILE["lb-2403"], [_failing(1.0)])
    assert suspects[0].cause == "none-of-these"


def test_two_faults_are_both_named() -> None:
    seen = {"earth_plus": "short", "chatter": "bad", "hysteresis": "bad"}
    suspects, together = judge_features(_features(**seen), PROFILE["lb-2403"], [_failing(1.0)])
    first = {s.cause for s in suspects[:4]}
    assert {"output-earth-short-positive", "tap-chatter"} <= first
    assert together


def test_a_unit_without_taps_has_no_tap_causes() -> None:
    plain = load_profile(find_profile("sw-3010"))
    assert not {c.name for c in applicable(plain)} & {"tap-chatter", "coil-weak", "pot-open"}


def test_probabilities_are_probabilities() -> None:
    suspects, _ = judge_features(_features(gain="low"), PROFILE["lb-2403"], [_failing(1.0)])
    assert all(0.0 <= s.probability <= 1.0 for s in suspects)
    assert [s.probability for s in suspects] == sorted(
        (s.probability for s in suspects), reverse=True
    )
    assert {"ok"} <= HEALTHY
