"""What a last digit leaves in a mean: against drawing and the rounding's Fourier series."""

from __future__ import annotations

import numpy as np
import pytest

from runner.metrology.last_digit import spread_within
from runner.metrology.readings import difference, mean_of_readings

from .outside import meter_scale


def test_share_of_a_large_scatter_is_nothing() -> None:
    """s = q/2 leaves exp(-pi²/2)/pi = 0.0023 of q (the series' first term, arith)."""
    groups = np.rint(3.0 * np.random.default_rng(1).standard_normal((20, 20))).tolist()
    assert spread_within(groups).remaining_share(1.0) < 1e-12
    assert np.exp(-(np.pi**2) / 2) / np.pi == pytest.approx(0.0023, abs=5e-5)


def test_few_or_equal_readings_keep_the_whole_digit() -> None:
    assert spread_within([[1.0, 2.0, 3.0]]).remaining_share(1.0) == 1.0
    assert spread_within([[1.0] * 5] * 6).remaining_share(1.0) == 1.0
    assert spread_within([]).remaining_share(1.0) == 1.0
    assert spread_within([[0.0, 1.0] * 10]).remaining_share(0.0) == 1.0


@pytest.mark.parametrize("spread", [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.6])
def test_difference_of_rounded_means_holds_the_true_value(spread: float) -> None:
    draw = np.random.default_rng(4)
    scale = meter_scale(100.0, 0.0045, 0.0006, resolution=1e-4)
    held = []
    for _ in range(1500):
        true = np.array([24.0 + 1e-4 * draw.uniform(), 23.995 + 1e-4 * draw.uniform()])
        raw = true[:, None, None] + 1e-4 * spread * draw.standard_normal((2, 3, 5))
        read = np.rint(raw / 1e-4) * 1e-4
        means = read.mean(axis=2)
        groups = [group for pair in zip(*read.tolist(), strict=True) for group in pair]
        budget = difference("d", means[0].tolist(), means[1].tolist(), scale, groups=groups)
        held.append(abs(budget.value - (true[0] - true[1])) <= budget.expanded(0.95))
    assert 0.93 <= np.mean(held) <= 0.995  # bounded errors of a digit reach beyond 97 %


def test_scatter_of_few_readings_is_pooled_with_groups_read_alike() -> None:
    """GUM 4.2.4: the pooled variance is the mean of the variances by degrees of freedom (arith)."""
    few = spread_within([[0.0, 2.0], [1.0, 3.0]])
    assert (few.within, few.dof) == (pytest.approx(2**0.5), 2)
    pooled = few.joined([[0.0, 2.0, 4.0], []], 0.0, 0.05)
    assert pooled.within == pytest.approx(3**0.5)  # (2 * 2 + 2 * 4)/4
    assert (pooled.dof, pooled.sides) == (4, few.sides)
    assert few.joined([], 0.0, 0.05) == few
    # 100 times the scatter of forty quiet readings: not alike (F(2, 38) at 5 % is 3.24, tables)
    assert few.joined([[0.0, 0.02] * 20], 1e-3, 0.05) == few
    quiet = spread_within([[1.0] * 3] * 2)
    assert quiet.joined([[0.0, 1.0, 1.0]] * 5, 1.0, 0.05).within > 0


def test_readings_that_two_differences_use_count_for_both() -> None:
    """GUM 5.1.2 (arithmetic): u^2(sum w x) = sum w^2 u^2(x), five readings behind each mean."""
    groups = [[1.0, 2.0, 3.0, 4.0, 5.0]] * 5
    spread = spread_within(groups, [0.25, -0.5, 0.5, -0.5, 0.25])
    assert spread.dof == 20
    assert spread.readings == 25
    assert spread.mean_u == pytest.approx(((2 * 0.25**2 + 3 * 0.5**2) * 2.5 / 5) ** 0.5)
    by_turns = spread_within(groups[:4])
    assert by_turns.mean_u == pytest.approx(
        spread_within(groups[:4], [0.5, -0.5, 0.5, -0.5]).mean_u
    )


def test_mean_of_readings_counts_of_a_digit_what_their_scatter_leaves() -> None:
    """Scatter of the digit's own size averages the rounding; readings all alike keep it whole."""
    scale = meter_scale(100.0, 0.0045, 0.0006, resolution=1e-4)
    tossed = mean_of_readings("v", [12.0, 12.0001, 12.0003, 11.9999, 12.0002], scale)
    alike = mean_of_readings("v", [12.0] * 5, scale)
    digit = {line.name: line.u for line in tossed.lines}["last digit"]
    assert digit < 1e-6
    assert {line.name: line.u for line in alike.lines}["last digit"] == pytest.approx(
        1e-4 / 12**0.5
    )
