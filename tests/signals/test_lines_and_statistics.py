"""Straight lines, load lines and statistics against NIST StRD and NBS Handbook 91."""

from __future__ import annotations

import numpy as np
import pytest

from runner.signals.linear import LinearFit, solve
from runner.signals.loadline import Line, LoadLine, fit_line, fit_load_line
from runner.signals.samples import Invalid
from runner.signals.statistics import Sample, describe, effective_count
from tests.signals.reference_data import columns, rows


def line_of(result: Line | Invalid) -> Line:
    assert isinstance(result, Line), result
    return result


def load_line_of(result: LoadLine | Invalid) -> LoadLine:
    assert isinstance(result, LoadLine), result
    return result


def stress(first: float, low: float, high: float) -> list[float]:
    return [first, *([low, high] * 500)]


UNIVARIATE = {
    "Lew": None, "Lottery": None, "Mavro": None, "Michelso": None,
    "NumAcc1": [10000001, 10000003, 10000002],
    "NumAcc2": stress(1.2, 1.1, 1.3),
    "NumAcc3": stress(1000000.2, 1000000.1, 1000000.3),
    "NumAcc4": stress(10000000.2, 10000000.1, 10000000.3),
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "digits_lost"),
    [
        ("Lew", 1e-13), ("Lottery", 1e-13), ("Mavro", 1e-12), ("Michelso", 1e-12),
        ("NumAcc1", 1e-15), ("NumAcc2", 1e-14), ("NumAcc3", 1e-9), ("NumAcc4", 1e-7),
    ],
)  # fmt: skip
def test_nist_strd_univariate_t4_19_and_t4_20(name: str, digits_lost: float) -> None:
    # Source: NIST StRD certified values; what the binary input itself loses limits NumAcc3/4.
    (row,) = [r for r in rows("nist_strd/univariate_certified.csv") if r["dataset"] == name]
    given = UNIVARIATE[name]
    data = columns(f"nist_strd/{name}.csv")[0] if given is None else given
    found = describe(data)
    assert isinstance(found, Sample)
    assert found.n == int(row["n"])
    assert found.mean == pytest.approx(float(row["mean"]), rel=1e-14)
    assert found.sd == pytest.approx(float(row["sample_sd"]), rel=max(digits_lost, 2e-15))
    lag1 = float(row["lag1_autocorrelation"])
    assert found.lag1 == pytest.approx(lag1, rel=max(digits_lost, 1e-12))


def test_correlated_readings_are_worth_few_t4_26() -> None:
    # Source: n (1 - r)/(1 + r) with r 0.938, n 50.
    assert effective_count(50, 0.938) == pytest.approx(1.60, abs=0.005)
    mavro = describe(columns("nist_strd/Mavro.csv")[0])
    assert isinstance(mavro, Sample)
    assert mavro.n_eff == pytest.approx(1.60, abs=0.005)
    assert mavro.u_mean > 4 * mavro.sd / np.sqrt(50)
    assert effective_count(50, -0.9) == 50
    assert effective_count(50, 1.0) == 1
    for n, r in ((0, 0.0), (5, 1.1), (5, float("nan"))):
        with pytest.raises(ValueError, match="lag-1"):
            effective_count(n, r)


def test_norris_t4_21() -> None:
    # Source: NIST StRD.
    y, x = columns("nist_strd/Norris.csv")
    line = line_of(fit_line(x, y))
    assert line.offset == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.gain == pytest.approx(1.00211681802045, rel=1e-13)
    assert np.sqrt(line.var_offset) == pytest.approx(0.232818234301152, rel=1e-12)
    assert np.sqrt(line.var_gain) == pytest.approx(4.29796848199937e-4, rel=1e-12)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-14)
    assert line.dof == 34


def test_longley_t4_22() -> None:
    # Source: NIST StRD.
    table = columns("nist_strd/Longley.csv")
    fit = solve(np.vstack([np.ones(16), table[1:]]).T, table[0])
    assert isinstance(fit, LinearFit)
    certified = (
        -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683,
        -1.03322686717359, -0.0511041056535807, 1829.15146461355,
    )  # fmt: skip
    assert fit.coefficients == pytest.approx(certified, rel=1e-8)
    assert fit.residual_sd == pytest.approx(304.854073561965, rel=1e-11)
    assert fit.r_squared == pytest.approx(0.995479004577296, rel=1e-13)


def test_youngs_modulus_line_t4_23() -> None:
    # Source: NBS Handbook 91, 5-4.1.
    temperature = [30, *range(100, 1501, 100)]
    modulus = [
        4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024,
        3999,
    ]  # fmt: skip
    line = line_of(fit_line(temperature, modulus))
    assert line.offset == pytest.approx(4654.9846, abs=5e-5)
    assert line.gain == pytest.approx(-0.44985482, abs=5e-9)
    assert line.var_offset == pytest.approx(19.879452, rel=1e-6)
    assert line.var_gain == pytest.approx(2.5649045e-5, rel=1e-7)
    assert line.residual_sd == pytest.approx(9.277617, rel=1e-6)


def test_line_value_and_its_uncertainty_are_smallest_at_the_mean() -> None:
    y, x = columns("nist_strd/Norris.csv")
    line = line_of(fit_line(x, y))
    value, u = line.at(float(x.mean()))
    assert value == pytest.approx(y.mean())
    assert u == pytest.approx(line.residual_sd / np.sqrt(36), rel=1e-6)
    assert line.at(0.0)[1] > u


def test_output_resistance_t1_08() -> None:
    # Source: 12.000 V at 0 A, 11.994 V at 2 A: 3.00 mΩ.
    line = load_line_of(fit_load_line([0, 1, 2], [12.000, 11.997, 11.994]))
    assert line.r_out_ohm == pytest.approx(3.00e-3, rel=1e-9)
    assert line.v0_v == pytest.approx(12)
    assert line.knee_a is None


def test_knee_of_dropout_is_found_and_kept_out_of_the_resistance() -> None:
    rng = np.random.default_rng(1)
    i_a = np.linspace(0, 3, 25)
    v = 12 - 0.004 * i_a - 0.6 * np.maximum(i_a - 2.2, 0) + rng.normal(0, 2e-4, i_a.size)
    shuffled = rng.permutation(i_a.size)
    line = load_line_of(fit_load_line(i_a[shuffled], v[shuffled]))
    assert line.knee_a == pytest.approx(2.2, abs=0.01)
    assert line.r_out_ohm == pytest.approx(0.004, abs=4 * line.u_r_out_ohm)
    assert line.r_beyond_ohm == pytest.approx(0.604, abs=0.01)


def test_knee_from_five_points_needs_the_uncertainty_of_a_reading() -> None:
    i_a = [0, 0.75, 1.5, 2.25, 3.0]
    v = [12.0000, 11.9975, 11.9955, 11.9931, 11.900]
    known = load_line_of(fit_load_line(i_a, v, u_v=2e-4))
    assert known.knee_a is not None
    assert known.knee_a > 2.2
    assert known.r_out_ohm == pytest.approx(0.003, rel=0.1)


def test_no_knee_in_straight_or_noisy_or_upward_readings() -> None:
    rng = np.random.default_rng(2)
    i_a = np.linspace(0, 3, 13)
    found = [
        load_line_of(fit_load_line(i_a, 12 - 0.01 * i_a + rng.normal(0, 1e-3, 13))).knee_a
        for _ in range(100)
    ]
    assert sum(knee is not None for knee in found) <= 3
    assert load_line_of(fit_load_line(i_a, 12 - 0.01 * i_a)).knee_a is None
    upward = 12 - 0.01 * i_a + 0.5 * np.maximum(i_a - 2, 0)
    assert load_line_of(fit_load_line(i_a, upward)).knee_a is None


def test_readings_no_line_goes_through() -> None:
    for x, y in (([1, 1, 1], [1, 2, 3]), ([1, 2], [1, 2]), ([1, 2, 3], [1, 2]), ([], [])):
        assert isinstance(fit_line(x, y), Invalid)
        assert isinstance(fit_load_line(x, y), Invalid)
    assert isinstance(fit_load_line([0, 1, 2], [1, 1, 1], u_v=0.0), Invalid)
