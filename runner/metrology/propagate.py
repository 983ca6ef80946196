"""Budgets of quantities computed from other quantities; GTC finds the sensitivities."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from runner.metrology.budget import Budget, Line, merged
from runner.metrology.repeats import checked, mean

__all__ = ["fitted_value", "propagate", "read_together"]


def propagate(
    quantity: str,
    unit: str,
    function: Callable[..., Any],
    inputs: Mapping[str, Budget],
) -> Budget:
    """Return the budget of `function(**inputs)`; only + - * / and ** may be used in it.

    First order (GUM 5.1.2). Every line of every input stays a line of the result, so that an
    error shared by two inputs keeps its sign and may cancel. Raises ValueError when the
    function has no finite value there.
    """
    values = {name: budget.value for name, budget in inputs.items()}
    result, slopes = _value_and_slopes(quantity, function, values)
    lines = tuple(
        line.carried(slopes[name], into=name)
        for name, budget in inputs.items()
        for line in budget.lines
    )
    return Budget(
        quantity=quantity,
        unit=unit,
        value=result,
        lines=lines,
        caveats=merged(budget.caveats for budget in inputs.values()),
        notes=merged(budget.notes for budget in inputs.values()),
    )


def read_together(
    quantity: str,
    unit: str,
    function: Callable[..., Any],
    series: Mapping[str, Sequence[float]],
    lines: Mapping[str, Sequence[Line]] | None = None,
) -> Budget:
    """Return the budget of `function` of the means of quantities read in sets (GUM 5.2, H.2).

    `series`: n values of each argument, the i-th of each read together, n >= 2; their
    correlation is taken from the readings. `lines`: what is common to all readings of an
    argument, in its unit.
    """
    columns = {name: checked(name, values, at_least=2) for name, values in series.items()}
    if not columns or len({len(column) for column in columns.values()}) != 1:
        counts = {name: len(column) for name, column in columns.items()}
        raise ValueError(f"series: expected as many readings of each, found {counts}")
    means = {name: mean(column) for name, column in columns.items()}
    result, slopes = _value_and_slopes(quantity, function, means)
    n = len(next(iter(columns.values())))
    leaning = [
        math.fsum(slopes[name] * (column[i] - means[name]) for name, column in columns.items())
        for i in range(n)
    ]
    spread = math.sqrt(math.fsum(step * step for step in leaning) / (n - 1) / n)
    scatter = Line(f"scatter of {n} sets of readings", "A", spread, result, unit, dof=n - 1)
    common = tuple(
        line.carried(slopes[name], into=name)
        for name, some in (lines or {}).items()
        for line in some
    )
    return Budget(quantity, unit, result, (scatter, *common))


def fitted_value(
    quantity: str,
    unit: str,
    at: float,
    coefficients: tuple[float, float],
    covariance: tuple[tuple[float, float], tuple[float, float]],
    dof: float,
) -> Budget:
    """Return the budget of intercept + slope * `at` on a fitted line (GUM H.3.4, eq. H.15).

    `coefficients` are (intercept, slope), `covariance` their matrix as the fit gives it, `dof`
    the readings less two.
    """
    intercept, slope = coefficients
    (var_a, cov_ab), (cov_ba, var_b) = covariance
    if not math.isclose(cov_ab, cov_ba, rel_tol=1e-9, abs_tol=1e-300):
        raise ValueError(f"covariance: expected a symmetric matrix, found {covariance}")
    variance = var_a + 2 * at * cov_ab + at * at * var_b
    if not variance >= 0:
        raise ValueError(f"covariance: expected that of a fit, found {covariance}")
    value = intercept + slope * at
    line = Line("fitted line", "A", math.sqrt(variance), value, unit, dof=dof)
    return Budget(quantity, unit, value, (line,))


def _value_and_slopes(
    quantity: str, function: Callable[..., Any], values: Mapping[str, float]
) -> tuple[float, dict[str, float]]:
    """Value of the function and its partial derivatives, by GTC's exact differentiation."""
    import GTC

    numbers = {name: GTC.ureal(value, 1.0) for name, value in values.items()}
    try:
        result = function(**numbers)
        if isinstance(result, float | int):  # abs() and math.* strip the uncertainty silently
            raise ValueError("the function strips the uncertainty of its inputs")
        if isinstance(GTC.value(result), complex):
            raise ValueError("the root of a negative number")
        value = float(GTC.value(result))
        slopes = {
            name: float(GTC.rp.u_component(result, number)) for name, number in numbers.items()
        }
    except (ArithmeticError, ValueError) as error:
        raise ValueError(f"{quantity}: no value for {dict(values)} ({error})") from None
    if not all(map(math.isfinite, (value, *slopes.values()))):
        raise ValueError(f"{quantity}: no finite value for {dict(values)}")
    return value, slopes
