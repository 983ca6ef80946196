"""Errors of what is set or shown against what was measured, with the measurement's budget."""

from __future__ import annotations

from dataclasses import replace

from runner.metrology.budget import Budget

__all__ = ["shown_minus_true", "true_minus_set"]


def true_minus_set(quantity: str, true: Budget, set_value: float) -> Budget:
    """Error of a setting: measured minus set, in the budget's unit; the set value is exact."""
    return replace(true, quantity=quantity, value=true.value - set_value)


def shown_minus_true(quantity: str, shown: float, true: Budget) -> Budget:
    """Error of an indication: shown minus measured (JCGM 200, 2.16), in the budget's unit."""
    lines = tuple(replace(line, sensitivity=-line.sensitivity) for line in true.lines)
    return replace(true, quantity=quantity, value=shown - true.value, lines=lines)
