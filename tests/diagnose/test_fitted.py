"""Counts and weights of simulated runs: entropies by hand."""

from __future__ import annotations

import pytest

from runner.diagnose.causes import HEALTHY, load_causes
from runner.diagnose.fitted import fit, kind_of, load_fitted, weights_of
from runner.profile import find_profile, load_profile


def test_two_features_that_say_the_same_count_as_one() -> None:
    runs = [{"a": s, "b": s} for s in "xy" * 500]
    assert weights_of(runs) == pytest.approx({"a": 0.5, "b": 0.5}, abs=0.001)


def test_independent_features_keep_their_weight() -> None:
    runs = [{"a": a, "b": b} for a in "xy" for b in "xy"] * 100
    assert weights_of(runs) == pytest.approx({"a": 1.0, "b": 1.0}, abs=0.001)


def test_what_half_tells_weighs_between() -> None:
    # H(a) = ln 2, H(b) = 1.5 ln 2 (1/2, 1/4, 1/4), b tells a: shared ln 2 / (ln 2 sqrt 1.5).
    runs = [{"a": "x", "b": "p"}, {"a": "x", "b": "p"}, {"a": "y", "b": "q"}, {"a": "y", "b": "r"}]
    assert weights_of(runs * 500)["a"] == pytest.approx(1 / (1 + 1.5**-0.5), abs=0.002)


def test_a_feature_that_never_changes_shares_nothing() -> None:
    assert weights_of([{"a": "x", "b": s} for s in "xy" * 50])["b"] == 1.0


def test_runs_are_counted_by_cause_kind_and_state() -> None:
    runs = [("c", "k", {"f": "bad"}), ("c", "l", {"f": "bad"}), ("", "k", {"f": "ok", "g": "no"})]
    found = fit(runs, 2.0, cases=3)
    assert found.runs == 3
    assert found.counts("c", "f", None) == {"bad": 2}
    assert found.counts("c", "f", "k") == {"bad": 1}
    assert found.counts("", "f", "l") == {}
    assert found.states("f") == ["bad", "ok"]
    assert found.states("unknown") == []
    assert found.made == {"cases": 3}


def test_states_that_were_not_told_apart_are_not_counted() -> None:
    found = fit([("c", "k", {"f": "short or leak", "g": "ok"}), ("c", "k", {"f": "short"})], 1.0)
    assert found.runs == 2
    assert found.counts("c", "f", None) == {"short": 1}


def test_kinds_of_the_units_that_come_with_the_program() -> None:
    names = ("lb-2403", "lb-3605", "kn-1502", "sw-3010")
    assert [kind_of(load_profile(find_profile(name))) for name in names] == [
        "remote, 1 tap points", "remote, 2 tap points", "hand, 1 tap points",
        "remote, 0 tap points",
    ]  # fmt: skip


def test_the_counts_that_come_with_the_program_are_whole() -> None:
    fitted = load_fitted()
    assert fitted.runs > 0
    assert fitted.temperature > 0.0
    known = {"", *(cause.name for cause in load_causes())}
    assert all(set(by_cause) <= known for by_cause in fitted.table.values())
    assert set(fitted.weights) == set(fitted.table)
    assert all(0.0 < weight <= 1.0 for weight in fitted.weights.values())
    named = {name for c in load_causes() for name in (*c.shows, *c.may)}
    assert named <= set(fitted.table), "a cause names a feature that no run has shown"
    assert HEALTHY & set(fitted.states("earth_plus"))
