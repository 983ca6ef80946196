"""Grades of findings, steps of sizes, and what each reader makes of findings: by hand."""

from __future__ import annotations

import pytest

from runner.diagnose.failures import FAILURES
from runner.diagnose.feature import grade, is_near, over, worst
from runner.diagnose.fitted import load_fitted
from runner.diagnose.levels import LEVELS, step
from runner.diagnose.signs import SUBJECTS
from runner.finding import Decision, Finding


def _finding(
    value: float, *, low: float | None = None, high: float | None = None, u: float = 0.1,
    check: str = "c", what: str = "w", at: str = "",
) -> Finding:  # fmt: skip
    outside = (low is not None and value < low) or (high is not None and value > high)
    decision = Decision.FAIL if outside else Decision.PASS
    return Finding(check, what, at, value, "V", decision, u_expanded=u, limit_low=low,
                   limit_high=high)  # fmt: skip


@pytest.mark.parametrize(
    ("finding", "state", "multiple"),
    [
        (_finding(0.5, high=1.0), "ok", 1.0),
        (_finding(1.05, high=1.0), "near", 1.05),
        (_finding(2.0, high=1.0), "high", 2.0),
        (_finding(20.0, high=1.0), "high far", 20.0),
        (_finding(-40.0, low=-1.0, high=1.0), "low very far", 40.0),
        (_finding(12.0, low=24.0), "low", 2.0),
        (_finding(0.0, low=1.0), "low very far", 1e9),
    ],
)
def test_a_failure_is_graded_by_multiples_of_its_limit(
    finding: Finding, state: str, multiple: float
) -> None:
    assert grade(finding) == state
    assert over(finding) == pytest.approx(multiple)


def test_without_sides_a_failure_is_bad() -> None:
    assert grade(_finding(2.0, high=1.0), side=False) == "bad"


def test_near_needs_an_uncertainty_and_a_value() -> None:
    assert not is_near(_finding(1.05, high=1.0, u=0.0))
    assert not is_near(_finding(0.9, high=1.0))


def test_a_clear_failure_is_worse_than_a_near_one() -> None:
    near, clear = _finding(1.09, high=1.0), _finding(1.05, high=1.0, u=0.01)
    assert worst([_finding(0.2, high=1.0), near, clear]) is clear


def test_steps_take_the_first_that_is_not_exceeded() -> None:
    steps = ((0.0, "none"), (1.0, "some"))
    assert [step(x, *steps, above="much") for x in (-1.0, 0.0, 0.5, 1.0, 1.1)] == [
        "none", "none", "some", "some", "much",
    ]  # fmt: skip


def test_what_was_not_measured_is_left_out() -> None:
    assert all(read([]) is None for read in (*FAILURES.values(), *LEVELS.values()))


def test_every_sign_has_a_subject() -> None:
    named = [name for names in SUBJECTS.values() for name in names]
    assert len(named) == len(set(named))
    assert set(named) >= {*FAILURES, *LEVELS, *load_fitted().table}


def _effect(volts: float, at: str) -> Finding:
    return _finding(volts, low=-0.01, high=0.01, u=0.001, check="load-effect", what="load effect",
                    at=at)  # fmt: skip


@pytest.mark.parametrize(
    ("top_v", "low_v", "alike", "depth"),
    [
        (0.12, 0.12, "alike", "slight"),  # ohms: the same volts at any setting
        (2.4, 0.005, "top only", "sag"),  # dropout: only where raw voltage is short
        (23.8, 4.6, "less", "gone"),  # a current limit takes all there is
        (0.005, 0.004, "ok", "ok"),
    ],
)
def test_what_load_takes_tells_ohms_dropout_and_limit_apart(
    top_v: float, low_v: float, alike: str, depth: str
) -> None:
    findings = [_effect(top_v, "at 24 V, 0 to 3 A"), _effect(low_v, "at 4.8 V, 0 to 3 A")]
    told = {name: LEVELS[name](findings) for name in ("load_alike", "load_depth")}
    states = {name: one.state for name, one in told.items() if one is not None}
    assert states == {"load_alike": alike, "load_depth": depth}


@pytest.mark.parametrize(
    ("bad", "state"),
    [("tttt", "all"), ("ffft", "top"), ("tfff", "bottom"), ("ftff", "some"), ("ffff", "ok")],
)
def test_where_set_points_are_missed(bad: str, state: str) -> None:
    points = [
        _finding(1.0 if b == "t" else 0.0, low=-0.1, high=0.1, check="setting",
                 what="error of the output voltage", at=f"{k} V, rising")
        for k, b in enumerate(bad)
    ]  # fmt: skip
    told = FAILURES["setting"](points)
    assert told is not None
    assert told.state == state


@pytest.mark.parametrize(
    ("ohm", "u_ohm", "state", "leaks", "says"),
    [
        # Without uncertainty a failure is a bound: anything from nothing to it.
        (205.0, None, "short", "no", "at most 205 Ω"),
        (5.47e3, None, "short or leak", None, "at most 5.47 kΩ"),
        # An output that swings meanwhile.
        (6.19e3, 23.4e3, "short or leak", None, "at most 29.6 kΩ"),
        (100e3, 2e3, "leak", "yes", "100 kΩ"),
    ],
)
def test_a_short_to_earth_is_told_from_a_leak_only_where_the_interval_does(
    ohm: float, u_ohm: float | None, state: str, leaks: str | None, says: str
) -> None:
    finding = Finding("earth-reference", "resistance of minus to earth", "", ohm, "Ω",
                      Decision.FAIL, u_expanded=u_ohm, limit_low=1e6)  # fmt: skip
    told, leak = (FAILURES[name]([finding]) for name in ("earth_minus", "earth_leak"))
    assert told is not None
    assert (told.state, told.says) == (state, f"minus to earth {says}")
    assert (leak.state if leak else None) == leaks
