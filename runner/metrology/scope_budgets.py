"""Budgets of what a scope sees: peak-to-peak, rms, and rms with the bench's floor taken off.

An rms about the mean has lost every constant error with the mean, so gain, probe and the
converter's step are what stays of the scope's accuracy. All quantities at the tip, in V.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from runner.metrology.budget import Budget, Line, merged
from runner.metrology.plain import not_negative, positive
from runner.metrology.repeats import checked, mean, scatter_line, standard_deviation
from runner.metrology.scope import ScopeScale

__all__ = ["bandwidth_line", "less_floor", "scope_pp", "scope_rms"]


def scope_pp(
    quantity: str,
    record_pp_v: Sequence[float],
    scale: ScopeScale,
    *,
    averaged: bool = False,
    extra: Sequence[Line] = (),
) -> Budget:
    """Return the budget of the largest peak-to-peak of several records (V).

    The largest is one record's, so the scatter of one record is its type A part. `averaged`
    tells that each record is the average of at least 16 traces.
    """
    values = _amplitudes(record_pp_v)
    top = max(values)
    fixed = scale.averaged_v if averaged else scale.difference_v
    limit = scale.gain_rel * top + fixed
    name = f"accuracy of {scale.name}"
    lines = [
        Line.from_limit(name, limit, form=scale.coverage, value=top, unit="V", source=scale.source),
        Line.from_limit("converter step, both peaks", scale.step_v, form="triangular", unit="V"),
    ]
    if len(values) > 1:
        spread = standard_deviation(values)
        said = f"{len(values)} records"
        lines.append(
            Line("scatter of records", "A", spread, top, "V", len(values) - 1, 1.0, "t", said)
        )
    return _scope_budget(quantity, top, lines, scale, len(values), extra)


def scope_rms(
    quantity: str,
    record_rms_v: Sequence[float],
    scale: ScopeScale,
    *,
    extra: Sequence[Line] = (),
) -> Budget:
    """Return the budget of the rms about the mean, pooled over records of equal length (V).

    Pooled: the root of the mean of the squares. The converter's step d adds up to d^2/12 to
    the square, which is at most what it adds to the value.
    """
    values = _amplitudes(record_rms_v)
    squares = [value * value for value in values]
    pooled = math.sqrt(mean(squares))
    step_u = scale.step_v / math.sqrt(12)
    lines = [
        Line.from_limit(
            f"gain of {scale.name}",
            scale.gain_rel * pooled,
            form=scale.coverage,
            value=pooled,
            unit="V",
            source=scale.source,
            shared=f"gain of {scale.name}",
        ),
        Line.from_limit("converter step", math.hypot(pooled, step_u) - pooled, unit="V"),
    ]
    if len(values) > 1 and pooled > 0:
        lines.append(scatter_line("scatter of records", squares, "V²", sensitivity=0.5 / pooled))
    return _scope_budget(quantity, pooled, lines, scale, len(values), extra)


def less_floor(quantity: str, seen: Budget, floor: Budget) -> Budget:
    """Return the budget of an rms with the bench's floor taken off: sqrt(seen^2 - floor^2), V.

    Right for rms only. First order fails where the two are alike, so the standard uncertainty
    is half the wider side of the interval that two standard uncertainties of the difference
    of squares make; far above the floor that is the first-order value. The squares carry
    their second-order term (GUM 5.1.2 note: u^2(x^2) = 4 x^2 u^2 + 2 u^4).
    """
    square = seen.value**2 - floor.value**2
    value = math.sqrt(max(0.0, square))
    first = Budget(
        quantity,
        "V²",
        square,
        tuple(
            line.carried(2 * sign * math.hypot(budget.value, budget.u / math.sqrt(2)), into=name)
            for name, budget, sign in (("seen", seen, 1.0), ("floor", floor, -1.0))
            for line in budget.lines
        ),
    )
    up = (math.sqrt(value**2 + 2 * first.u) - value) / 2
    down = (value - math.sqrt(max(0.0, value**2 - 2 * first.u))) / 2
    share = max(up, down) / first.u if first.u > 0 else 0.0
    lines = tuple(line.carried(share) for line in first.lines)
    return Budget(
        quantity,
        "V",
        value,
        lines,
        merged((seen.caveats, floor.caveats)),
        merged((seen.notes, floor.notes)),
    )


def bandwidth_line(value_v: float, signal_hz: float, bandwidth_hz: float) -> Line:
    """Return the line of what a one-pole bandwidth may hide of a component at `signal_hz`.

    The whole loss 1 - 1/sqrt(1 + (f/B)^2) is the half-width; nothing is corrected.
    """
    not_negative("value_v", value_v)
    not_negative("signal_hz", signal_hz)
    positive("bandwidth_hz", bandwidth_hz)
    loss = 1 - 1 / math.hypot(1, signal_hz / bandwidth_hz)
    said = f"{signal_hz:g} Hz seen through {bandwidth_hz:g} Hz"
    return Line.from_limit("bandwidth", loss * value_v, value=value_v, unit="V", source=said)


def _amplitudes(values: Sequence[float]) -> list[float]:
    numbers = checked("records", values)
    for place, number in enumerate(numbers):
        not_negative(f"records[{place}]", number)
    return numbers


def _scope_budget(
    quantity: str,
    value_v: float,
    lines: list[Line],
    scale: ScopeScale,
    records: int,
    extra: Sequence[Line],
) -> Budget:
    if scale.probe_rel > 0:
        lines.append(
            Line.from_limit(
                "probe",
                scale.probe_rel * value_v,
                value=value_v,
                unit="V",
                shared=f"probe of {scale.instrument}",
            )
        )
    single = ("one record only; its scatter is not known",) if records == 1 else ()
    return Budget(quantity, "V", value_v, (*lines, *extra), scale.caveats, single)
