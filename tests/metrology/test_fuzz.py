"""Whatever is handed in, the answer is a finite number, an invalid word, or ValueError."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from runner.metrology.accuracy import Accuracy, RangeAccuracy
from runner.metrology.budget import Budget, Line
from runner.metrology.bulk import difference_of_groups, mean_of_groups, reading_u
from runner.metrology.certificate import Certificate, CertificateEntry
from runner.metrology.coverage import divisor, effective_dof, t_factor, trapezoid_divisor
from runner.metrology.decision import Outcome, Rule, decide
from runner.metrology.derived import output_resistance, temperature_coefficient
from runner.metrology.dispersion import Dispersion
from runner.metrology.earth import leak_by_bleed, leaks_by_meter
from runner.metrology.limit import Limit, Tolerance
from runner.metrology.plain import to_plain
from runner.metrology.propagate import fitted_value, propagate, read_together
from runner.metrology.readings import difference, mean_of_readings, single_reading
from runner.metrology.risk import guard_band_for_risk, probability_outside, uncertainty_ratio
from runner.metrology.runs import compare_runs, compare_summaries
from runner.metrology.scope import ScopeAccuracy
from runner.metrology.scope_budgets import bandwidth_line, less_floor, scope_pp, scope_rms
from runner.metrology.tap import Motion, hysteresis, tap_point

from .outside import IN_DATE, TODAY, known, meter_scale

FEW = settings(max_examples=60, deadline=None)
ANY = st.floats() | st.sampled_from([0.0, -0.0, 1e-300, 1e99, 1e308, 9.9e37, -9.9e37])
MANY = st.lists(ANY, max_size=6)
USUAL = st.floats(-1e6, 1e6)
SCALE = meter_scale(resolution=1e-5)
SCOPE = ScopeAccuracy(gain_pct=3.0).scale(1e-3, instrument="scope", on=TODAY, certificate=IN_DATE)


def _numbers(thing: Any) -> list[float]:
    """Return every number of a result, however deep, except infinite degrees of freedom."""
    if thing is None or isinstance(thing, bool | str):
        return []
    if isinstance(thing, int | float | np.floating):
        return [float(thing)]
    if isinstance(thing, Budget):
        inner: Any = [thing.u, thing.k(), to_plain(thing)]
    elif isinstance(thing, Line):
        inner = [thing.contribution, to_plain(thing)]
    elif isinstance(thing, np.ndarray | list | tuple):
        inner = thing
    else:
        inner = list((thing if isinstance(thing, dict) else vars(thing)).values())
    return [number for value in inner for number in _numbers(value)]


def _number_or_refusal(function: Callable[..., Any], *arguments: Any, **named: Any) -> None:
    with np.errstate(all="ignore"):
        try:
            result = function(*arguments, **named)
        except ValueError as error:
            assert str(error)
            return
    bad = [number for number in _numbers(result) if not math.isfinite(number)]
    assert not bad, (function, arguments, result)


@FEW
@given(MANY, MANY, ANY)
def test_readings(first: list[float], second: list[float], n_eff: float) -> None:
    _number_or_refusal(mean_of_readings, "v", first, SCALE)
    _number_or_refusal(mean_of_readings, "v", first, SCALE, n_eff=n_eff)
    _number_or_refusal(difference, "v", first, second, SCALE)
    _number_or_refusal(difference, "v", first, second, SCALE, paired=False)
    _number_or_refusal(single_reading, "v", n_eff, SCALE)
    _number_or_refusal(SCALE.components, n_eff)


@FEW
@given(MANY, MANY)
@example([0.0, 1e-308], [0.5, 0.5])
def test_series_and_runs(first: list[float], second: list[float]) -> None:
    series = {"a": first, "b": second}
    _number_or_refusal(read_together, "x", "V", lambda a, b: a * b - a / b, series)
    if _good(first, second):
        runs = compare_runs([first, second])
        assert math.isfinite(runs.mean)
        assert 0 <= runs.p <= 1
        assert math.isfinite(runs.line("x", "V").u)
    else:
        with pytest.raises(ValueError, match="expected"):
            compare_runs([first, second])
    with pytest.raises(ValueError, match="expected"):
        compare_summaries(first, second, 1)


def _good(first: list[float], second: list[float]) -> bool:
    same = len(first) == len(second) >= 2
    return same and all(abs(value) <= 1e100 for value in first + second)


@FEW
@given(MANY, st.booleans())
def test_scope(records: list[float], averaged: bool) -> None:
    _number_or_refusal(scope_pp, "pp", records, SCOPE, averaged=averaged)
    _number_or_refusal(scope_rms, "rms", records, SCOPE)
    if len(records) > 2:
        _number_or_refusal(bandwidth_line, *records[:3])


@FEW
@given(MANY, ANY, ANY, ANY, st.booleans())
def test_tap_points(
    crossings: list[float], rate: float, late: float, step: float, up: bool
) -> None:
    try:
        motion = Motion(rate, 0.0, late, step)
    except ValueError:
        return
    _number_or_refusal(tap_point, "up", crossings, SCALE, motion, rising=up)


@FEW
@given(USUAL, USUAL, USUAL, USUAL)
def test_computed_quantities(a: float, b: float, c: float, d: float) -> None:
    budgets = [known(value, 1e-3 + abs(value) * 1e-3) for value in (a, b, c, d)]
    _number_or_refusal(output_resistance, budgets[0], budgets[1])
    _number_or_refusal(temperature_coefficient, budgets[0], budgets[1], at_v=c)
    _number_or_refusal(leaks_by_meter, *budgets)
    _number_or_refusal(leak_by_bleed, *budgets)
    _number_or_refusal(less_floor, "ripple", budgets[0], budgets[1])
    _number_or_refusal(hysteresis, budgets[0], budgets[1])
    inputs = {"x": budgets[0], "y": budgets[1]}
    _number_or_refusal(propagate, "z", "V", lambda x, y: x**0.5 / y, inputs)


@FEW
@given(ANY, ANY, ANY, ANY, ANY, ANY)
def test_fitted_value(a: float, b: float, va: float, cab: float, vb: float, at: float) -> None:
    _number_or_refusal(fitted_value, "v", "V", at, (a, b), ((va, cab), (cab, vb)), 9)


@FEW
@given(ANY, ANY, ANY)
def test_lines_and_budgets(u: float, dof: float, sensitivity: float) -> None:
    def build() -> Budget:
        line = Line("x", "A", u, dof=dof, sensitivity=sensitivity)
        limit = Line.from_limit("y", abs(u), sensitivity=sensitivity)
        return Budget("q", "V", 1.0, (line, limit, limit, line))

    _number_or_refusal(build)
    _number_or_refusal(effective_dof, [(1.0, 5.0), (2.0, 7.0)])


@FEW
@given(ANY, ANY, ANY, ANY, ANY, st.floats(0.01, 0.999))
def test_dispersion(u: float, dof: float, a: float, b: float, at: float, share: float) -> None:
    _number_or_refusal(t_factor, share, dof)
    try:
        spread = Dispersion(u, dof, a, b)
    except ValueError:
        return
    _number_or_refusal(spread.k, share)
    _number_or_refusal(spread.below, at)
    _number_or_refusal(guard_band_for_risk, share / 2, spread)


@settings(max_examples=150, deadline=None)
@given(
    st.floats(0, 10), st.sampled_from([1.0, 2.0, 3.0, 9.0, 200.0, math.inf]),
    st.floats(0, 10), st.floats(0, 10), st.floats(-30, 30), st.floats(0, 30),
)  # fmt: skip
def test_dispersion_is_a_distribution(
    u: float, dof: float, a: float, b: float, at: float, more: float
) -> None:
    spread = Dispersion(u, dof, a, b)
    assert spread.below(at) <= spread.below(at + more) + 1e-7
    if abs(at) > 1e-100:
        assert spread.below(at) + spread.below(-at) == pytest.approx(1, abs=1e-7)
    if spread.u > 1e-100:
        reach = spread.k(0.95) * spread.u
        assert spread.below(reach) == pytest.approx(0.975, abs=1e-6)


@FEW
@given(ANY, ANY, ANY, ANY, ANY, st.booleans())
def test_decisions(y: float, u: float, low: float, high: float, floor: float, simple: bool) -> None:
    rule = Rule("simple" if simple else "guard-band")
    try:
        limit, spread = Limit(low, high), Dispersion(u)
        judged = decide(y, spread, limit, rule, floor=floor)
    except ValueError as error:
        assert "expected" in str(error)
        return
    assert (judged.outcome is Outcome.NOT_MEASURED) == (judged.value is None)
    if judged.value is not None:
        assert judged.risk is not None
        assert 0 <= judged.risk <= 1
        assert judged.u_expanded is not None
        assert math.isfinite(judged.u_expanded)


@settings(max_examples=150, deadline=None)
@given(st.floats(-20, 20), st.floats(1e-6, 5), st.floats(-10, 10), st.floats(0, 10))
def test_words_and_risks_go_together(y: float, u: float, low: float, width: float) -> None:
    # A guard-band pass leaves at most 2.5 % on each side; a fail at least 97.5 % outside.
    judged = decide(y, Dispersion(u), Limit(low, low + width), Rule())
    assert judged.probability_outside is not None
    if judged.outcome is Outcome.PASS:
        assert judged.probability_outside <= 0.05 + 1e-6
    if judged.outcome is Outcome.FAIL:
        assert judged.probability_outside >= 0.975 - 1e-6
    if judged.outcome is Outcome.CONDITIONAL_FAIL:
        assert judged.probability_outside >= 0.5 - 1e-6


@FEW
@given(ANY, ANY)
def test_limits(a: float, b: float) -> None:
    _number_or_refusal(Limit.about, a, b)
    _number_or_refusal(lambda: Tolerance(a, b).half_width(12.0))
    _number_or_refusal(lambda: Tolerance(0.01, 0.003).half_width(a))
    _number_or_refusal(lambda: probability_outside(a, Dispersion(1.0), Limit.at_most(b)))
    _number_or_refusal(trapezoid_divisor, a)
    _number_or_refusal(lambda: uncertainty_ratio(Limit.at_most(1.0), a) if abs(a) > 1e-100 else 0.0)


@FEW
@given(st.text(max_size=12))
def test_divisor_words(word: str) -> None:
    _number_or_refusal(divisor, word)


@FEW
@given(ANY, ANY, ANY, ANY, st.text(max_size=12))
def test_statements(range_: float, reading: float, counts: float, room: float, word: str) -> None:
    def build() -> float:
        row = RangeAccuracy(range_, reading, counts=counts, resolution=counts, coverage=word)
        accuracy = Accuracy("dc-volts", "V", (row,))
        scale = accuracy.scale(range_, instrument="m", on=TODAY, temperature_c=room)
        return scale.components(range_).u

    _number_or_refusal(build)


@FEW
@given(ANY, ANY, ANY, st.dates(), st.integers(-400, 400))
def test_certificates(k: float, u: float, correction: float, day: date, later: int) -> None:
    def build() -> float:
        entry = CertificateEntry("dc-volts", 10.0, correction, 0.0, u)
        due = day + timedelta(days=later)
        certificate = Certificate("K", day, due, k, (entry,))
        accuracy = Accuracy("dc-volts", "V", (RangeAccuracy(10.0, 0.1),))
        scale = accuracy.scale(10.0, instrument="m", on=TODAY, certificate=certificate)
        return mean_of_readings("v", [1.0, 2.0], scale).u

    try:
        _number_or_refusal(build)
    except OverflowError:  # a due date after the year 9999 cannot be built at all
        assert day.year + 2 > date.max.year or day.year < 3


PLAIN = st.recursive(
    st.none() | st.booleans() | ANY | st.text(max_size=6) | st.just("inf"),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["range", "ranges", "function", "unit", "lines", "dof", "u", "name", "x"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(PLAIN)
def test_plain_trees(tree: Any) -> None:
    for cls in (Accuracy, Certificate, ScopeAccuracy, Budget):
        try:
            thing = cls.from_dict(tree)
        except ValueError as error:
            assert "expected" in str(error)
            assert "\n" not in str(error)
        else:
            assert cls.from_dict(json.loads(json.dumps(thing.to_dict()))) == thing


@FEW
@given(st.lists(st.lists(ANY, min_size=3, max_size=3), max_size=3))
def test_whole_arrays(rows: list[list[float]]) -> None:
    _number_or_refusal(reading_u, rows, SCALE)
    for build in (
        lambda: mean_of_groups(rows, SCALE),
        lambda: difference_of_groups(rows, rows, SCALE),
    ):
        try:
            means = build()
        except ValueError:
            continue
        assert np.all(np.isfinite(means.value))
        assert np.all(np.isfinite(means.u))
        assert np.all(means.dof >= 1)
