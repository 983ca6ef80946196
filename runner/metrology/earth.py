"""Budgets of the resistance from an output terminal to protective earth.

Derived from the voltage divider that the leaks make with the meter's own resistance; the
supply voltage and both readings are taken with one meter, so its gain leaves. Nothing here
says that a unit is electrically safe.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from runner.metrology.budget import Budget
from runner.metrology.propagate import propagate

__all__ = ["leak_by_bleed", "leaks_by_meter"]


def leaks_by_meter(
    output: Budget, negative_to_earth: Budget, positive_to_earth: Budget, meter_ohm: Budget
) -> tuple[Budget, Budget]:
    """Return the budgets (positive to earth, negative to earth) in ohms.

    R_p = R_m (V_b - V_1 - V_2)/V_1 and R_n = R_m (V_b - V_1 - V_2)/V_2, with V_1 and V_2 the
    sizes of the voltages from the negative and the positive terminal to earth, measured one
    at a time with a meter of R_m; V_b the output (the signs do not matter). Raises ValueError
    when a reading cannot be told from zero, or both together cannot be told from the output
    (use a bleed resistor).
    """
    negative, positive = _size(negative_to_earth), _size(positive_to_earth)
    inputs = {
        "output": _size(output),
        "negative": negative,
        "positive": positive,
        "meter": meter_ohm,
    }
    remaining = propagate(
        "output less both readings",
        "V",
        lambda output, negative, positive: output - negative - positive,
        {name: inputs[name] for name in ("output", "negative", "positive")},
    )
    _above_zero(remaining, "use a bleed resistor")
    _above_zero(negative, "no leak of the positive terminal shows")
    _above_zero(positive, "no leak of the negative terminal shows")

    def by_negative(output: Any, negative: Any, positive: Any, meter: Any) -> Any:
        return meter * (output - negative - positive) / negative

    def by_positive(output: Any, negative: Any, positive: Any, meter: Any) -> Any:
        return meter * (output - negative - positive) / positive

    return (
        propagate("resistance, positive terminal to earth", "Ω", by_negative, inputs),
        propagate("resistance, negative terminal to earth", "Ω", by_positive, inputs),
    )


def leak_by_bleed(output: Budget, without: Budget, with_bleed: Budget, bleed_ohm: Budget) -> Budget:
    """Return the budget of the leak of the terminal opposite to the one bled, in ohms.

    R = R_0 V_b (1/V' - 1/V): V from the terminal with the larger reading to earth, V' the same
    with R_0 from that terminal to earth; the meter's resistance leaves. Raises ValueError when
    V' cannot be told from zero, or from V.
    """
    before, after = _size(without), _size(with_bleed)
    inputs = {"output": _size(output), "without": before, "bled": after, "bleed": bleed_ohm}
    fall = propagate(
        "fall by the bleed resistor",
        "V",
        lambda without, bled: without - bled,
        {"without": before, "bled": after},
    )
    _above_zero(after, "nothing drives the terminal once it is bled: no leak shows")
    _above_zero(fall, "a hard connection, or a larger bleed resistor is needed")

    def leak(output: Any, without: Any, bled: Any, bleed: Any) -> Any:
        return bleed * output * (1 / bled - 1 / without)

    return propagate("resistance, opposite terminal to earth", "Ω", leak, inputs)


def _size(budget: Budget) -> Budget:
    """Return the budget of the voltage's size: a reading of the other polarity, turned over."""
    if budget.value >= 0:
        return budget
    lines = tuple(line.carried(-1.0) for line in budget.lines)
    return replace(budget, value=-budget.value, lines=lines)


def _above_zero(budget: Budget, otherwise: str) -> None:
    if budget.value <= 2 * budget.u:
        raise ValueError(
            f"{budget.quantity}: expected more than {2 * budget.u:.3g} {budget.unit}, "
            f"found {budget.value:.3g} {budget.unit}; {otherwise}"
        )
