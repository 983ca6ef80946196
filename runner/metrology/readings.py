"""Budgets of what is read directly: one reading, a mean, a difference of two means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from runner.metrology.budget import Budget, Line, merged
from runner.metrology.last_digit import Spread, chance_of_ratio, spread_within
from runner.metrology.repeats import (
    checked,
    mean,
    scatter_about_drift,
    scatter_line,
    standard_deviation,
)
from runner.metrology.scale import Scale

__all__ = [
    "contact_line",
    "difference",
    "lead_drop_line",
    "limit_line",
    "mean_of_readings",
    "single_reading",
]


DIFFER_P = 0.05
"""Chance below which differences are said to scatter more than their readings (GUM H.5.2.4)."""
ALIKE = 1e-12
"""Scatter as a share of the value that is the computer's rounding, not the instrument's."""


def single_reading(
    quantity: str, value: float, scale: Scale, *, extra: Sequence[Line] = ()
) -> Budget:
    """Return the budget of one reading on `scale` (its unit)."""
    return mean_of_readings(quantity, [value], scale, extra=extra)


def mean_of_readings(
    quantity: str,
    values: Sequence[float],
    scale: Scale,
    *,
    n_eff: float | None = None,
    in_turn: bool = False,
    alike: Sequence[Sequence[float]] = (),
    extra: Sequence[Line] = (),
) -> Budget:
    """Return the budget of the mean of readings on one scale, corrected by its certificate.

    Averaging lowers the scatter only; the instrument's limit stays, and of the last digit what
    the readings' scatter leaves of it. `n_eff`: independent readings they are worth; `in_turn`:
    read one after the other at an even pace, so that a steady drift is no scatter; `alike`:
    groups read in the same way at other places, whose scatter is pooled (GUM 4.2.4); `extra`:
    further lines (contacts, leads). ValueError when there is no reading, or one is not finite.
    """
    numbers = checked("values", values)
    middle = mean(numbers)
    spread = spread_within([numbers]).joined(alike, scale.resolution, DIFFER_P)
    drifting = scatter_about_drift(numbers) if in_turn else None
    if drifting is not None:
        lines = _about_drift(*drifting, numbers, scale)
    elif alike and spread.within > 0:
        lines = [_within(replace(spread, sides=(len(numbers), 0)), scale.unit)]
    else:
        lines = _scatter(numbers, scale, n_eff)
    lines.append(limit_line(middle, scale))
    if scale.resolution > 0:
        lines.append(_last_digit(scale, spread.remaining_share(scale.resolution)))
    return Budget(
        quantity=quantity,
        unit=scale.unit,
        value=scale.corrected(middle),
        lines=(*lines, *extra),
        caveats=scale.caveats + _scatter_unknown(numbers, scale),
        notes=scale.notes,
    )


def difference(
    quantity: str,
    first: Sequence[float],
    second: Sequence[float],
    scale: Scale,
    second_scale: Scale | None = None,
    *,
    paired: bool = True,
    n_eff: float | None = None,
    groups: Sequence[Sequence[float]] = (),
    shares: Sequence[float] | None = None,
    alike: Sequence[Sequence[float]] = (),
    extra: Sequence[Line] = (),
) -> Budget:
    """Return the budget of mean(first) - mean(second), in the scale's unit.

    On one scale the offset leaves and the gain counts on the difference alone. Paired readings
    (taken alternately, same number) are differenced one by one, so that slow drift leaves too;
    `n_eff` then applies to the differences. Where the values are themselves means, `groups` are the
    readings behind each: when they scatter over the last digit, little of it is left. `shares` are
    what each group counts for (see `spread_within`). `alike` are groups read in the same way at
    other places, whose scatter is pooled (GUM 4.2.4). Readings on two scales carry the limit of
    each.
    """
    other = second_scale or scale
    if other.unit != scale.unit:
        raise ValueError(f"second_scale: expected in {scale.unit}, found {other.unit}")
    above, below = checked("first", first), checked("second", second)
    if paired and len(above) != len(below):
        raise ValueError(f"second: expected {len(above)} readings, found {len(below)}")
    value = scale.corrected(mean(above)) - other.corrected(mean(below))
    lines: list[Line] = []
    behind = spread_within(groups, shares) if paired else spread_within([above, below])
    spread = behind.joined(alike, scale.resolution, DIFFER_P)
    left = spread.remaining_share(scale.resolution)
    if paired and len(above) > 1:
        steps = [a - b for a, b in zip(above, below, strict=True)]
        apart = scatter_line("scatter of differences", steps, scale.unit, n_eff=n_eff)
        lines.append(_pooled(apart, spread) if left < 1 else apart)
    elif left < 1 and other.name == scale.name:
        lines.append(_within(spread, scale.unit))
    else:
        lines += _scatter(above, scale, None)
        lines += _scatter(below, other, None, sensitivity=-1.0)
    lines += _scale_lines(mean(above), mean(below), scale, other, left)
    return Budget(
        quantity=quantity,
        unit=scale.unit,
        value=value,
        lines=(*lines, *extra),
        caveats=merged(
            (
                scale.caveats,
                other.caveats,
                _scatter_unknown(above, scale),
                _scatter_unknown(below, other),
            )
        ),
        notes=merged((scale.notes, other.notes)),
    )


def limit_line(value: float, scale: Scale, *, sensitivity: float = 1.0) -> Line:
    """Return the line of the instrument's limit of error at a reading.

    All readings on one scale share it; below zero it turns its sign with the reading, so that
    a difference of readings of unlike sign carries the limits of both in full.
    """
    return Line(
        name=f"accuracy of {scale.name}",
        kind="B",
        u=scale.components(value).limit_u,
        value=value,
        unit=scale.unit,
        sensitivity=math.copysign(sensitivity, value * sensitivity),
        distribution=scale.distribution,
        source=scale.source,
        shared=scale.name,
    )


def contact_line(limit: float, unit: str, source: str = "") -> Line:
    """Return the line of what terminals and contacts may add (half-width, result's unit)."""
    return Line.from_limit("terminals and contacts", limit, unit=unit, source=source)


def lead_drop_line(resistance_ohm: float, current_a: float, source: str = "") -> Line:
    """Return the line of a drop in leads that is not taken out: at most R I, in V."""
    drop = resistance_ohm * abs(current_a)
    return Line.from_limit("drop in leads", drop, unit="V", source=source)


def _scale_lines(above: float, below: float, scale: Scale, other: Scale, left: float) -> list[Line]:
    """Limit and last digits of both readings of a difference; `left` of the digits counts."""
    if other.name != scale.name:
        lines = [limit_line(above, scale), limit_line(below, other, sensitivity=-1.0)]
        lines += [
            _last_digit(s, 1.0, c) for s, c in ((scale, 1.0), (other, -1.0)) if s.resolution > 0
        ]
        return lines
    lines = [
        Line(
            name=f"{scale.name}, on the difference",
            kind="B",
            u=scale.difference_u(above - below),
            value=above - below,
            unit=scale.unit,
            distribution=scale.distribution,
            source=scale.source,
        )
    ]
    if scale.linearity > 0:
        bend = math.sqrt(2) * scale.linearity
        lines.append(Line("bend of the scale", "B", bend, unit=scale.unit, source=scale.source))
    if scale.resolution > 0:
        lines.append(
            Line.from_limit(
                "last digit of both", left * scale.resolution, form="triangular", unit=scale.unit
            )
        )
    return lines


def _about_drift(deviation: float, step: float, values: list[float], scale: Scale) -> list[Line]:
    """Lines of a mean of readings that run along a line: at its middle (GUM H.3.4).

    Which moment a reading stands for is known to within half the pace.
    """
    n, said = len(values), f"{len(values)} readings"
    name = "scatter of readings about their drift"
    u, middle = deviation / math.sqrt(n), mean(values)
    return [
        Line(name, "A", u, middle, scale.unit, n - 2, 1.0, "t", said),
        Line.from_limit("moment of the readings, by their drift", step / 2, unit=scale.unit),
    ]


def _within(spread: Spread, unit: str) -> Line:
    """Scatter of a mean or of a difference of means from the readings behind them."""
    return Line(
        "scatter of readings at each place", "A", spread.mean_u, unit=unit,
        dof=float(spread.dof), distribution="t", source=f"{spread.readings} readings",
    )  # fmt: skip


def _pooled(apart: Line, spread: Spread) -> Line:
    """Join the scatter of few differences with that of the readings behind them (GUM H.5.2.5).

    The few alone count where they scatter more than their readings let expect (5 % level).
    """
    within = _within(spread, apart.unit)
    ratio = (apart.u / within.u) ** 2 if within.u > 0 else math.inf
    if chance_of_ratio(ratio, apart.dof, within.dof) < DIFFER_P:
        return apart
    dof = apart.dof + within.dof
    u = math.sqrt((apart.dof * apart.u**2 + within.dof * within.u**2) / dof)
    return replace(within, u=u, value=apart.value, dof=dof)


def _scatter(
    values: list[float], scale: Scale, n_eff: float | None, sensitivity: float = 1.0
) -> list[Line]:
    """Type A line of two or more readings; for one, the scatter the sheet states."""
    if len(values) > 1:
        line = scatter_line(
            "scatter of readings", values, scale.unit, n_eff=n_eff, sensitivity=sensitivity
        )
        return [line]
    if scale.noise_rms == 0:
        return []
    return [
        Line(
            name="scatter of one reading",
            kind="B",
            u=scale.noise_rms,
            value=values[0],
            unit=scale.unit,
            sensitivity=sensitivity,
            source=scale.source,
        )
    ]


def _scatter_unknown(values: list[float], scale: Scale) -> tuple[str, ...]:
    if (scale.noise_rms > 0 and len(values) == 1) or scale.resolution > 0:
        return ()
    if len(values) == 1:
        return (f"one reading of {scale.name}, whose scatter and last digit are not known",)
    if standard_deviation(values) > ALIKE * max(map(abs, values)):
        return ()
    return (f"readings of {scale.name} all alike, and its last digit is not known",)


def _last_digit(scale: Scale, left: float, sensitivity: float = 1.0) -> Line:
    half = left * scale.resolution / 2
    return Line.from_limit("last digit", half, unit=scale.unit, sensitivity=sensitivity)
