"""The coverage factor of a sum of one rectangle and a normal or t part."""

from __future__ import annotations

import math

import numpy as np
import pytest

from runner.metrology.budget import Budget, Line
from runner.metrology.coverage import divisor, t_factor, trapezoid_divisor
from runner.metrology.dispersion import Dispersion
from runner.metrology.limit import Limit
from runner.metrology.risk import probability_outside

from .outside import OUTSIDE

EA = OUTSIDE["ea_4_02"]


def test_ea_4_02_one_dominant_rectangle() -> None:
    budget = Budget("y", "V", 0.0, (Line.from_limit("limit", 1.0), Line("rest", "A", 1e-6, dof=9)))
    assert budget.k(0.95) == pytest.approx(EA["k_rectangular_95"], abs=0.005)
    assert budget.expanded(0.95) == pytest.approx(0.95, abs=1e-6)


@pytest.mark.parametrize("ratio", [0.0, 0.1, 0.3, 0.5, 0.8, 1.0])
def test_ea_4_02_trapezoid_of_two_rectangles(ratio: float) -> None:
    # S10: k = (1 - sqrt((1-p)(1-beta^2)))/sqrt((1+beta^2)/6), beta the top over the base, as
    # long as beta < 0.95; beyond that the rectangle's 1.65 is near enough.
    budget = Budget("y", "V", 0.0, (Line.from_limit("large", 1.0), Line.from_limit("small", ratio)))
    beta = (1 - ratio) / (1 + ratio)
    stated = (1 - math.sqrt(0.05 * (1 - beta**2))) / math.sqrt((1 + beta**2) / 6)
    expected = stated if beta < 0.95 else math.sqrt(3) * 0.95
    assert budget.k(0.95) == pytest.approx(expected, abs=1e-9)


def test_ea_4_02_triangle() -> None:
    budget = Budget("y", "V", 0.0, (Line.from_limit("a", 1.0), Line.from_limit("b", 1.0)))
    assert budget.k(0.95) == pytest.approx(EA["k_triangular_95"], abs=5e-4)


@pytest.mark.parametrize("count", [3, 4, 5])
def test_more_rectangles_than_two_cover_by_drawing(count: int) -> None:
    draw = np.random.default_rng(count)
    errors = draw.uniform(-1.0, 1.0, (400_000, count)).sum(axis=1)
    lines = tuple(Line.from_limit(str(i), 1.0) for i in range(count))
    reach = Budget("y", "V", 0.0, lines).expanded(0.95)
    assert np.mean(np.abs(errors) <= reach) == pytest.approx(0.95, abs=0.003)


def test_words_for_the_factor() -> None:
    scatter = Line("scatter", "A", 1.0, dof=9)
    assert Budget("y", "V", 0.0, (scatter,)).k_from == "t distribution, 9 degrees of freedom"
    assert Budget("y", "V", 0.0, (Line("n", "B", 1.0),)).k_from == "normal distribution"
    limited = Budget("y", "V", 0.0, (scatter, Line.from_limit("limit", 5.0)))
    assert limited.k_from.startswith("distribution of the largest limits")


def test_normal_limit_of_many_lines() -> None:
    # GUM G.6.6: many comparable lines come near the normal distribution.
    lines = tuple(Line.from_limit(str(i), 1.0) for i in range(12))
    assert Budget("y", "V", 0.0, lines).k(0.95) == pytest.approx(1.96, abs=0.01)


@pytest.mark.parametrize("dof", [1, 2, 3, 9, 49, 2e4, math.inf])
@pytest.mark.parametrize("half_width", [0.01, 0.3, 1.0, 3.0, 30.0])
def test_one_rectangle_against_quadrature_by_scipy(dof: float, half_width: float) -> None:
    from scipy import integrate, stats

    shape = stats.norm() if math.isinf(dof) else stats.t(dof)
    spread = Dispersion(1.0, dof, half_width)
    for distance in (-2.5, -0.4, 0.0, 1.0, 3.0):
        edges = [distance] if abs(distance) < half_width else None
        area, _ = integrate.quad(
            lambda e, at=distance: shape.cdf(at - e), -half_width, half_width, points=edges
        )
        assert spread.below(distance) == pytest.approx(area / (2 * half_width), abs=1e-8)


@pytest.mark.parametrize("dof", [1, 2, 3, 9, 2e4, math.inf])
@pytest.mark.parametrize(("large", "small"), [(0.5, 0.3), (1.0, 1.0), (20.0, 5.0), (3e3, 0.02)])
def test_two_rectangles_against_quadrature_by_scipy(dof: float, large: float, small: float) -> None:
    from scipy import integrate

    one, two = Dispersion(1.0, dof, large), Dispersion(1.0, dof, small, large)
    for distance in (-3.0, -0.5, 0.0, 2.0, 18.0):
        area, _ = integrate.quad(lambda e, at=distance: one.below(at - e), -small, small)
        assert two.below(distance) == pytest.approx(area / (2 * small), abs=1e-8)


@pytest.mark.parametrize("dof", [1, 9, math.inf])
def test_slight_rectangle_shows_only_through_its_variance(dof: float) -> None:
    from scipy import integrate

    one, two = Dispersion(1.0, dof, 30.0), Dispersion(1.0, dof, 30.0, 9e-3)
    for distance in (0.0, 2.0, 29.0):
        area, _ = integrate.quad(lambda e, at=distance: one.below(at - e), -9e-3, 9e-3)
        assert two.below(distance) == pytest.approx(area / 18e-3, abs=1e-6)


@pytest.mark.parametrize("dof", [1.0, 4.7, 9.0, math.inf])
@pytest.mark.parametrize("half_width", [0.0, 0.5, 2.0])
def test_k_covers_by_drawing(dof: float, half_width: float) -> None:
    draw = np.random.default_rng(20250601)
    n = 200_000
    whole = math.floor(dof) if math.isfinite(dof) else dof
    t_part = draw.standard_normal(n) if math.isinf(dof) else draw.standard_t(whole, n)
    spread = Dispersion(1.0, dof, half_width)
    error = t_part + draw.uniform(-half_width, half_width, n)
    covered = np.mean(np.abs(error) <= spread.k(0.95) * spread.u)
    assert covered == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_extremes_and_refusals() -> None:
    assert Dispersion(0.0).below(0.0) == 0.5
    assert Dispersion(0.0).below(1.0) == 1.0
    assert Dispersion(0.0, half_width=1.0).below(0.5) == 0.75
    assert Dispersion(1.0).below(-math.inf) == 0
    for bad in (lambda: Dispersion(math.nan), lambda: Dispersion(1.0, 0.5)):
        with pytest.raises(ValueError, match="expected"):
            bad()
    with pytest.raises(ValueError, match="coverage: expected a share"):
        t_factor(95.0, 3)
    with pytest.raises(ValueError, match="normal-k<number>"):
        divisor("gaussian")
    with pytest.raises(ValueError, match="beta"):
        trapezoid_divisor(1.5)


@pytest.mark.parametrize(("below", "above"), [(1.0, 1.5), (0.0, 1.0), (2.0, 1.0), (1.0, 1.0)])
def test_bounds_that_are_not_alike_on_both_sides(below: float, above: float) -> None:
    """GUM 4.3.8: a rectangle from -a to +b has u = (a + b)/sqrt 12 about (b - a)/2.

    95 % of it lie within U of the estimate: U = longer - (a + b)/20, unless the shorter side is
    longer than that (arith).
    """
    budget = Budget("t", "s", 3.0, (Line.from_bounds("scope", below, above),))
    assert budget.u == pytest.approx((below + above) / math.sqrt(12))
    longer = max(below, above)
    within = longer - (below + above) / 20 if below != above else 0.95 * longer
    assert budget.expanded(0.95) == pytest.approx(within, rel=1e-6)
    # 2.5 % lie beyond the farther end of the interval that leaves as much at either end
    reach = budget.dispersion.reach(0.95)
    assert reach == pytest.approx(longer - (below + above) / 40)
    assert probability_outside(3.0, budget.dispersion, Limit.at_most(3.0 + reach)) == pytest.approx(
        0.025 if above >= below else 0.0, abs=1e-9
    )
    assert probability_outside(3.0, budget.dispersion, Limit.at_least(3.0 - reach)) == (
        pytest.approx(0.025 if below >= above else 0.0, abs=1e-9)
    )


def test_shifted_normal_part_covers_by_drawing() -> None:
    shifted = Dispersion(0.4, math.inf, 1.0, 0.0, shift=0.7)
    draw = np.random.default_rng(8)
    places = 0.7 + 0.4 * draw.standard_normal(400_000) + draw.uniform(-1, 1, 400_000)
    inside = np.mean(np.abs(places) <= shifted.k(0.95) * shifted.u)
    assert inside == pytest.approx(0.95, abs=2e-3)
