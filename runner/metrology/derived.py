"""Budgets of what follows from two measured differences: resistance, temperature coefficient."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from runner.metrology.budget import Budget
from runner.metrology.propagate import propagate

__all__ = ["output_resistance", "ratio", "temperature_coefficient"]


def ratio(quantity: str, unit: str, above: Budget, below: Budget) -> Budget:
    """Return the budget of above/below; ValueError when the lower one cannot be told from zero.

    Cannot be told from zero: |value| at most three standard uncertainties, where the first
    order no longer holds.
    """
    if abs(below.value) <= 3 * below.u:
        raise ValueError(
            f"{below.quantity}: expected more than three times its standard uncertainty "
            f"{below.u:.3g} {below.unit}, found {below.value:.3g} {below.unit}"
        )

    def quotient(above: Any, below: Any) -> Any:
        return above / below

    return propagate(quantity, unit, quotient, {"above": above, "below": below})


def output_resistance(voltage_change: Budget, current_change: Budget) -> Budget:
    """Return the budget of -dV/dI in ohms, from V and A for the same step of load.

    Positive for an output that sags: 12.000 V at 0 A and 11.994 V at 2 A are 3.00 mohm.
    """
    quotient = ratio("output resistance", "Ω", voltage_change, current_change)
    lines = tuple(line.carried(-1.0) for line in quotient.lines)
    return replace(quotient, value=-quotient.value, lines=lines)


def temperature_coefficient(
    voltage_change: Budget, temperature_change: Budget, *, at_v: float | None = None
) -> Budget:
    """Return the budget of dV/dT in V/K, or in ppm/K of the output `at_v` when it is given."""
    per_kelvin = ratio("temperature coefficient", "V/K", voltage_change, temperature_change)
    if at_v is None:
        return per_kelvin

    def relative(change: Any) -> Any:
        return change / at_v * 1e6

    return propagate("temperature coefficient", "ppm/K", relative, {"change": per_kelvin})
