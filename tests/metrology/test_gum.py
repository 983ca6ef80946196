"""Worked examples of JCGM 100:2008 (GUM); values and sources in references/metrology.toml."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from runner.metrology.budget import Budget, Line
from runner.metrology.coverage import divisor, effective_dof, t_factor, trapezoid_divisor
from runner.metrology.propagate import fitted_value, propagate, read_together
from runner.metrology.repeats import scatter_line
from runner.metrology.runs import compare_runs, compare_summaries

from .outside import OUTSIDE, known


def _input(value: float, u: float, dof: float, unit: str) -> Budget:
    return known(value, u, dof or math.inf, unit)


def test_gum_h1_end_gauge() -> None:
    h1 = OUTSIDE["gum_h1"]
    names = ("ls", "d", "delta_alpha", "theta", "alpha", "delta_theta")

    def length(ls, d, delta_alpha, theta, alpha, delta_theta):  # type: ignore[no-untyped-def]
        return ls + d - ls * (delta_alpha * theta + alpha * delta_theta)

    budget = propagate("length", "nm", length, {name: _input(*h1[name]) for name in names})
    assert budget.value == pytest.approx(h1["value_nm"], abs=0.5)
    found = [abs(line.contribution) for line in budget.lines]
    assert found == pytest.approx(h1["contributions_nm"], abs=0.05)
    assert budget.u == pytest.approx(h1["u_nm"], abs=0.01)
    assert budget.dof == pytest.approx(h1["dof"], abs=0.02)
    assert budget.k(0.99) == pytest.approx(h1["k99"], abs=1e-4)
    assert budget.expanded(0.99) == pytest.approx(h1["u99_nm"], abs=0.5)


def test_gum_h1_sub_budgets() -> None:
    parts = OUTSIDE["gum_h1_parts"]
    comparator_k = t_factor(0.95, parts["comparator_dof"])
    lines = (
        Line("d", "A", parts["pooled_s_nm"] / math.sqrt(parts["pooled_n"]), dof=24),
        Line("d1", "B", parts["comparator_95_nm"] / comparator_k, dof=parts["comparator_dof"]),
        Line("d2", "B", parts["comparator_3s_nm"] / 3, dof=parts["comparator_3s_dof"]),
    )
    budget = Budget("d", "nm", 215.0, lines)
    assert [line.u for line in lines] == pytest.approx(parts["parts_nm"], abs=0.005)
    assert budget.u == pytest.approx(parts["u_d_nm"], abs=0.005)
    assert budget.dof == pytest.approx(parts["dof_d"], abs=0.05)
    theta = Budget(
        "theta",
        "K",
        -0.1,
        (
            Line("mean", "B", parts["theta_mean_u_k"]),
            Line.from_limit("cycle", parts["theta_swing_k"], form="u-shaped"),
        ),
    )
    assert theta.u == pytest.approx(parts["u_theta_k"], abs=1e-4)
    difference = Line.from_limit("delta theta", parts["delta_theta_limit_k"])
    assert difference.u == pytest.approx(parts["u_delta_theta_k"], abs=1e-5)


@pytest.mark.parametrize("name", ["r_ohm", "x_ohm", "z_ohm"])
def test_gum_h2_resistance_read_together(name: str) -> None:
    import GTC

    h2 = OUTSIDE["gum_h2"]
    functions = {
        "r_ohm": lambda v, i, phi: v / i * GTC.cos(phi),
        "x_ohm": lambda v, i, phi: v / i * GTC.sin(phi),
        "z_ohm": lambda v, i, phi: v / i + 0 * phi,
    }
    series = {"v": h2["v"], "i": [i / 1000 for i in h2["i_ma"]], "phi": h2["phi"]}
    budget = read_together(name, "Ω", functions[name], series)
    value, u = h2[name]
    assert budget.value == pytest.approx(value, abs=5e-7)
    assert budget.u == pytest.approx(u, abs=1e-7)
    assert budget.dof == pytest.approx(4)


def test_gum_h3_calibration_line() -> None:
    import numpy as np

    h3 = OUTSIDE["gum_h3"]
    t = np.array(h3["t_c"]) - h3["t0_c"]
    (slope, intercept), scaled = np.polyfit(t, h3["b_c"], 1, cov=True)
    covariance = ((scaled[1, 1], scaled[0, 1]), (scaled[0, 1], scaled[0, 0]))
    at = h3["at_c"] - h3["t0_c"]
    budget = fitted_value("correction", "°C", at, (intercept, slope), covariance, len(t) - 2)
    assert [intercept, math.sqrt(scaled[1, 1])] == pytest.approx(h3["intercept"], abs=1e-6)
    assert budget.value == pytest.approx(h3["value_c"], abs=1e-5)
    assert budget.u == pytest.approx(h3["u_c"], abs=1e-5)
    assert budget.dof == 9


def test_gum_h3_from_the_printed_figures() -> None:
    h3 = OUTSIDE["gum_h3"]
    (a, u_a), (b, u_b) = h3["intercept"], h3["slope"]
    covariance = ((u_a**2, h3["r"] * u_a * u_b), (h3["r"] * u_a * u_b, u_b**2))
    budget = fitted_value("correction", "°C", 10.0, (a, b), covariance, 9)
    assert budget.value == pytest.approx(h3["value_c"], abs=2e-5)
    assert budget.u == pytest.approx(h3["u_c"], abs=1e-5)


def test_gum_h5_analysis_of_variance() -> None:
    h5 = OUTSIDE["gum_h5"]
    runs = compare_summaries(h5["day_mean_uv"], h5["day_s_uv"], h5["per_day"])
    assert runs.mean == pytest.approx(h5["mean_uv"], abs=0.05)
    assert runs.between / math.sqrt(5) == pytest.approx(h5["s_of_means_uv"], abs=0.05)
    assert runs.between == pytest.approx(h5["between_uv"], abs=0.05)
    assert runs.within == pytest.approx(h5["within_uv"], abs=0.05)
    assert runs.f == pytest.approx(h5["f"], abs=0.0005)
    assert runs.p == pytest.approx(h5["p"], abs=0.0001)
    assert runs.between_component == pytest.approx(h5["component_uv"], abs=0.05)
    line = runs.line("mean", "µV")
    assert runs.differ
    assert line.u == pytest.approx(h5["u_mean_uv"], abs=0.005)
    assert line.dof == 9


def test_gum_h5_pooled_when_the_runs_do_not_differ() -> None:
    # GUM H.5.2.5 gives the pooled figures of the same data for the case of no day effect.
    h5 = OUTSIDE["gum_h5"]
    runs = compare_summaries(h5["day_mean_uv"], h5["day_s_uv"], h5["per_day"])
    line = replace(runs, p=0.2).line("mean", "µV")
    assert line.u == pytest.approx(h5["u_pooled_uv"], abs=0.005)
    assert line.dof == h5["dof_pooled"]


def test_nist_strd_sirstv() -> None:
    nist = OUTSIDE["nist_sirstv"]
    runs = compare_runs(nist["runs"])
    assert runs.f == pytest.approx(nist["f"], rel=1e-9)
    assert runs.within == pytest.approx(nist["s"], rel=1e-11)
    assert not runs.differ


def test_gum_g4_effective_degrees_of_freedom() -> None:
    g4 = OUTSIDE["gum_g4"]
    (u1, dof1), (u2, dof2) = g4["parts"]
    budget = Budget("y", "V", 0.0, (Line("1", "A", u1, dof=dof1), Line("2", "A", u2, dof=dof2)))
    assert budget.u == pytest.approx(g4["u"], abs=1e-5)
    assert budget.dof == pytest.approx(g4["dof"], abs=5e-4)
    assert budget.k(0.95) == pytest.approx(g4["k95"], abs=5e-5)
    assert budget.expanded(0.95) == pytest.approx(g4["u95"], abs=5e-4)


def test_gum_table_g2() -> None:
    table = OUTSIDE["gum_table_g2"]
    for share, column in ((0.95, "t_95"), (0.9545, "t_95_45")):
        found = [round(t_factor(share, dof), 2) for dof in table["dof"]]
        assert found == table[column]


def test_gum_divisors() -> None:
    outside = OUTSIDE["gum_divisors"]
    for form in ("rectangular", "triangular", "u-shaped"):
        assert 1 / divisor(form) == pytest.approx(outside[form], abs=5e-6)
    assert 1 / trapezoid_divisor(0.5) == pytest.approx(outside["trapezoid_half"], abs=5e-6)
    digit = Line.from_limit("last digit", 0.5)
    assert digit.u == pytest.approx(outside["last_digit"], abs=5e-6)
    assert divisor("normal-k2") == 2


def test_correlated_readings_of_mavro_are_worth_less_than_two() -> None:
    # NIST StRD Mavro: r 0.938, n 50, first-order autoregression -> n_eff 1.60, so that
    # s/sqrt(n) means nothing and the whole range stands for the scatter.
    line = scatter_line("mean", [2.0013, 2.0027], "V", n_eff=1.60)
    assert line.kind == "B"
    assert line.u == pytest.approx(0.0007 / math.sqrt(3))
    assert effective_dof([(line.u, line.dof)]) == math.inf


def test_uncorrelated_mean_is_s_over_root_n() -> None:
    # GUM 4.2.3; the correlated form must fall back to it when n_eff = n.
    values = [1.0, 2.0, 4.0, 5.0]
    s = math.sqrt(10 / 3)
    assert scatter_line("mean", values, "V").u == pytest.approx(s / 2)
    assert scatter_line("mean", values, "V", n_eff=4.0).u == pytest.approx(s / 2)
