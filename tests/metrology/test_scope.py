"""Scope budgets: the maker's form, the converter's step, floor removal."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from runner.metrology.certificate import Certificate
from runner.metrology.propagate import propagate
from runner.metrology.scope import ScopeAccuracy, ScopeScale
from runner.metrology.scope_budgets import bandwidth_line, less_floor, scope_pp, scope_rms

from .outside import IN_DATE, OUTSIDE, TODAY, known

CASE = OUTSIDE["scope_example"]
SHEET = ScopeAccuracy(gain_pct=CASE["gain_pct"], gain_low_pct=4.0, gain_from_v_div=5e-3)


def _scale(v_per_div: float = CASE["v_per_div"], **more: Any) -> ScopeScale:
    settings = {"on": TODAY, "certificate": IN_DATE} | more
    return SHEET.scale(v_per_div, instrument="scope", **settings)


def test_20_mvpp_at_10_mv_per_division_is_known_to_3_3_mv() -> None:
    budget = scope_pp("ripple", [CASE["pp_v"]], _scale())
    limit = budget.lines[0].u * math.sqrt(3)
    assert limit == pytest.approx(CASE["limit_v"], rel=1e-9)
    # 8 divisions of 10 mV in 256 steps; a difference of two samples is a triangle.
    assert budget.lines[1].u == pytest.approx(0.3125e-3 / math.sqrt(6))


def test_averaged_records_lose_most_of_the_division_term() -> None:
    averaged = scope_pp("ripple", [CASE["pp_v"]], _scale(), averaged=True)
    # gain % x reading + 0.05 div, without the fixed part: 0.6 mV + 0.5 mV.
    assert averaged.lines[0].u * math.sqrt(3) == pytest.approx(1.1e-3)


def test_largest_of_the_records_is_reported() -> None:
    budget = scope_pp("ripple", [4e-3, 5e-3, 6e-3], _scale())
    assert budget.value == 6e-3
    assert not [line for line in budget.lines if line.kind == "A"]  # inside the sheet's limit
    no_sheet = replace(_scale(), gain_rel=0.0, difference_v=0.0)
    unknown = scope_pp("ripple", [4e-3, 5e-3, 6e-3], no_sheet)
    scatter = next(line for line in unknown.lines if line.kind == "A")
    assert (scatter.u, scatter.dof) == (pytest.approx(1e-3), 2)


def test_noise_only_adds_to_a_peak_to_peak() -> None:
    """Limit 0.6 + 1.5 + 1.2 mV; a noise of 2.5 mV adds at least 20 - sqrt(393.75) mV (arith).

    Drawn: noise that adds so much or twice that, the rest of the limit evenly.
    """
    scale = _scale()
    line = scope_pp("ripple", [20e-3], scale, floor_pp_v=[2.4e-3, 2.6e-3]).lines[0]
    added = 20e-3 - math.sqrt(400e-6 - 2.5e-3**2)
    assert line.u * math.sqrt(12) == pytest.approx(2 * 3.3e-3 - 2 * added)
    assert line.shift == pytest.approx(-added)
    draw = np.random.default_rng(6)
    for added_v in (added, 2 * added):
        held = []
        for at in draw.uniform(-1, 1, 3000):
            read = 20e-3 * (1 + 0.03 * at) + added_v + at * (2.7e-3 - added_v)
            budget = scope_pp("ripple", [read], scale, floor_pp_v=[2.5e-3])
            held.append(abs(read - 20e-3) <= budget.expanded(0.95))
        assert 0.93 <= np.mean(held) <= 0.99


def test_gain_below_its_range_and_a_ten_to_one_probe() -> None:
    assert _scale(2e-3).gain_rel == 0.04
    assert _scale(5e-3).gain_rel == 0.03
    # 20 mV/div at the tip of a 10:1 probe is 2 mV/div at the input; the fixed part is tenfold.
    probe = _scale(20e-3, probe_ratio=10.0, probe_pct=2.0)
    assert probe.gain_rel == 0.04
    assert probe.difference_v == pytest.approx(0.15 * 20e-3 + 12e-3)
    line = scope_pp("ripple", [20e-3], probe).lines[-1]
    assert (line.name, line.u) == ("probe", pytest.approx(0.4e-3 / math.sqrt(3)))


def test_rms_about_the_mean_pools_squares() -> None:
    # Arithmetic: two records pool to the root mean square, sqrt((3^2 + 4^2)/2) = 3.5355.
    budget = scope_rms("ripple", [3e-3, 4e-3], _scale())
    assert budget.value == pytest.approx(3.5355e-3, rel=1e-4)
    gain = budget.lines[0]
    assert gain.u == pytest.approx(0.03 * budget.value / math.sqrt(3))
    # First order of the root: s(x^2)/sqrt(n)/(2 rms).
    scatter = budget.lines[2]
    assert abs(scatter.contribution) == pytest.approx(3.5e-6 / (2 * budget.value))


def test_converter_step_adds_at_most_d_squared_over_12() -> None:
    # GUM F.2.2.1: variance of the last digit d is d^2/12.
    budget = scope_rms("ripple", [0.1e-3], _scale())
    step = budget.lines[1].u * math.sqrt(3)
    assert (0.1e-3 + step) ** 2 - 0.1e-3**2 == pytest.approx(0.3125e-3**2 / 12)


def test_sawtooth_of_the_converter() -> None:
    # DC Power Supply Handbook AN 90B p. 107: a sawtooth's rms is p-p/3.464 (0.288675); the
    # converter's error is a sawtooth of one step, seen alone when there is nothing else.
    silent = scope_rms("ripple", [0.0], _scale())
    assert silent.u * math.sqrt(3) == pytest.approx(0.288675 * 0.3125e-3, rel=1e-5)


def test_floor_taken_off_agrees_with_first_order_far_above_it() -> None:
    seen, floor = known(5e-3, 20e-6, 19), known(1e-3, 10e-6, 19)
    found = less_floor("ripple", seen, floor)
    outside = propagate("ripple", "V", lambda s, f: (s**2 - f**2) ** 0.5, {"s": seen, "f": floor})
    # Bench-supply service manual and arithmetic: V = sqrt(Vm^2 - Vn^2), 4.899 mV.
    assert found.value == pytest.approx(4.89898e-3, rel=1e-5)
    assert found.value == pytest.approx(outside.value, rel=1e-12)
    assert found.u == pytest.approx(outside.u, rel=0.01)
    assert found.u >= outside.u
    assert found.dof == pytest.approx(outside.dof, rel=0.01)


@pytest.mark.parametrize("seen_v", [0.9e-3, 1.0e-3, 1.01e-3, 1.1e-3])
def test_floor_as_large_as_the_reading_leaves_a_finite_uncertainty(seen_v: float) -> None:
    found = less_floor("ripple", known(seen_v, 20e-6), known(1e-3, 20e-6))
    square = max(0.0, seen_v**2 - 1e-6)
    u_square = 2 * math.hypot(seen_v * 20e-6, 1e-3 * 20e-6)
    # Two standard uncertainties of the square are inside two of the root, either way.
    assert found.value + 2 * found.u >= math.sqrt(square + 2 * u_square) * (1 - 1e-3)
    assert found.value - 2 * found.u <= math.sqrt(max(0.0, square - 2 * u_square)) * (1 + 1e-3)


def test_silence_keeps_the_converter_step() -> None:
    silent = scope_rms("ripple", [0.0], _scale())
    found = less_floor("ripple", silent, silent)
    assert found.value == 0
    assert found.u > 0


def test_gain_leaves_no_trace_of_the_floor() -> None:
    # The same gain error sits in both: sqrt((1+g)^2 (a^2 - b^2)) = (1+g) sqrt(a^2 - b^2).
    fine = ScopeAccuracy(gain_pct=0.1, bits=16).scale(
        1e-3, instrument="scope", on=TODAY, certificate=IN_DATE
    )
    found = less_floor("ripple", scope_rms("s", [5e-3], fine), scope_rms("f", [3e-3], fine))
    assert found.u == pytest.approx(0.001 * 4e-3 / math.sqrt(3), rel=1e-3)


def test_bandwidth_loss_of_one_pole() -> None:
    # One pole at its corner: 1/sqrt 2, a loss of 29.3 %.
    assert bandwidth_line(1.0, 20e6, 20e6).u * math.sqrt(3) == pytest.approx(1 - math.sqrt(0.5))
    assert bandwidth_line(1.0, 100.0, 20e6).u < 1e-10


def test_caveats_of_a_scope() -> None:
    assert _scale().caveats == ()
    assert "no calibration date" in _scale(certificate=None).caveats[0]
    overdue = _scale(certificate=Certificate(due_on=IN_DATE.calibrated_on))
    assert "scope: calibration was due" in overdue.caveats[0]
    memory = ScopeAccuracy(gain_pct=3.0, from_memory=True)
    scale = memory.scale(1e-3, instrument="scope", on=TODAY, certificate=IN_DATE)
    assert scope_pp("ripple", [1e-3], scale).caveats == (
        "scope: accuracy figures are from memory, not from a document",
    )


def test_plain_values_and_refusals() -> None:
    assert ScopeAccuracy.from_dict(SHEET.to_dict()) == SHEET
    with pytest.raises(ValueError, match="bits: expected from 4 to 24, found 64"):
        ScopeAccuracy(gain_pct=3.0, bits=64)
    with pytest.raises(ValueError, match="gain_pct: expected this key"):
        ScopeAccuracy.from_dict({})
    with pytest.raises(ValueError, match="records: expected at least 1 readings, found 0"):
        scope_pp("ripple", [], _scale())
    with pytest.raises(ValueError, match=r"records\[1\]: expected a finite number"):
        scope_rms("ripple", [1e-3, -1e-3], _scale())
