"""The proof's own arithmetic: no case is judged by counts that have seen it."""

from __future__ import annotations

import pytest

from runner.bench import find_bench, load_bench
from runner.diagnose.feature import Feature
from runner.diagnose.likelihood import Ranking
from runner.finding import Decision, Finding
from runner.profile import find_profile, load_profile
from tests.diagnose.generate import HALVES_FROM, HEALTHY_FROM, PAIRS_FROM, case, without
from tests.diagnose.proof_tables import tables
from tests.diagnose.prove import FOLDS, TEACH, Case, Judged, folds, judge, reach, runs_of
from tests.diagnose.traces import traced

PROFILE = load_profile(find_profile("lb-2403"))
FAILED = [Finding("c", "w", "", 2.0, "V", Decision.FAIL, limit_high=1.0)]


def _case(number: int, *causes: str, state: str = "leak", fails: bool = True) -> Case:
    features = {"earth_leak": Feature(state, "says")}
    return Case(number, causes, PROFILE, "", features, FAILED if fails else [])


def test_no_case_is_judged_by_counts_that_have_seen_it() -> None:
    cases = [_case(n, "output-earth-leak", state=f"seen {n}") for n in range(3 * FOLDS)]
    parts = folds(cases)
    assert sorted(c.number for mine, _ in parts for c in mine) == list(range(3 * FOLDS))
    for mine, fitted in parts:
        assert fitted.runs == 3 * FOLDS - len(mine)
        assert not {f"seen {c.number}" for c in mine} & set(fitted.states("earth_leak"))


def test_runs_that_fail_nothing_teach_nothing_and_pairs_are_only_judged() -> None:
    cases = [
        _case(1, "pass-leak"), _case(2, "pass-leak", fails=False), _case(3, fails=False),
        _case(4, "pass-leak", "coil-weak"), _case(5),
    ]  # fmt: skip
    assert [cause for cause, _, _ in runs_of(cases)] == ["pass-leak", ""]


def test_cases_of_some_checks_teach_but_are_not_judged() -> None:
    cases = [_case(TEACH[n], "pass-leak") for n in range(FOLDS)]
    assert judge(folds(cases), 1.0) == []


def _judged(cause: str, named: str, p: float, number: int = 1) -> Judged:
    return Judged(_case(number, cause), Ranking({named: p, "coil-weak": 1 - p}, []))


def test_how_sure_it_may_be_is_how_often_sure_answers_were_right() -> None:
    # By hand: (3 + 1)/(4 + 2); the unsure one does not count.
    sure = [_judged("pass-leak", "pass-leak", 0.99)] * 3 + [_judged("pot-open", "pass-leak", 0.99)]
    assert reach([*sure, _judged("pot-open", "pass-leak", 0.6)]) == pytest.approx(4 / 6, abs=1e-3)


def test_the_tables_count_places_and_bands() -> None:
    judged = [_judged("pass-leak", "pass-leak", 0.85), _judged("coil-weak", "pass-leak", 0.85)]
    text = tables(judged, {1.0: 0.5}, {})
    assert "right cause first 1 of 2 (50.0%), among those not ruled out 1 of 2 (50.0%)" in text
    assert "within three 2 of 2 (100.0%)" in text
    assert "| 80% to 90% | 2 | 1 of 2 (50.0%) |" in text
    assert "| coil-weak | 1 | 0 | 1 | 1 pass-leak |" in text


def test_numbers_say_how_many_faults_and_draw_the_same_again() -> None:
    assert len(case(7)["causes"]) == 1
    assert len(set(case(PAIRS_FROM + 7)["causes"])) == 2
    assert case(HEALTHY_FROM + 7)["causes"] == []
    assert case(7) == case(7)


def test_the_halves_of_a_pair_are_the_same_unit_with_either_fault_alone() -> None:
    pair = case(PAIRS_FROM + 2003)
    halves = [case(first + 2003) for first in HALVES_FROM]
    assert [half["causes"][0] for half in halves] == pair["causes"]
    assert [half["faults"][0] for half in halves] == pair["faults"]
    for half in halves:
        assert {k: half[k] for k in ("profile", "missing", "seed")} == {
            k: pair[k] for k in ("profile", "missing", "seed")
        }


def test_a_pair_has_traces_of_both_when_each_makes_fail_what_the_other_does_not() -> None:
    def failing(number: int, causes: tuple[str, ...], *whats: str) -> Case:
        failed = [Finding("c", w, "", 2.0, "V", Decision.FAIL, limit_high=1.0) for w in whats]
        return Case(number, causes, PROFILE, "", {}, failed)

    both, first, second = ("pass-leak", "limit-low"), ("pass-leak",), ("limit-low",)
    cases = [
        failing(PAIRS_FROM, both, "zero", "limit"), failing(HALVES_FROM[0], first, "zero"),
        failing(HALVES_FROM[1], second, "limit"),
        failing(PAIRS_FROM + 1, both, "zero"), failing(HALVES_FROM[0] + 1, first, "zero"),
        failing(HALVES_FROM[1] + 1, second, "limit"),
        failing(PAIRS_FROM + 2, both, "zero"),
    ]  # fmt: skip
    assert traced(cases) == {PAIRS_FROM: True, PAIRS_FROM + 1: False}


def test_a_missing_instrument_takes_its_wires_along() -> None:
    bench = load_bench(find_bench("memory"))
    less = without(bench, "scope")
    gone = {one.name for one in bench.instrument} - {one.name for one in less.instrument}
    assert len(gone) == 1
    ends = {end.split(".")[0] for wire in less.connection for end in (wire.a, wire.b)}
    assert not ends & gone
    assert without(bench, "") == bench
