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
    floor_pp_v: Sequence[float] = (),
    extra: Sequence[Line] = (),
) -> Budget:
    """Return the budget of the largest peak-to-peak of several records (V).

    The figure is that of these records: what another one would show is what their number is
    for, and what the scope does from one to the next is inside its sheet's limit for two
    samples. Only where no such limit is known their scatter stands for it. `averaged` tells that
    each record is the average of at least 16 traces. `floor_pp_v`: peak-to-peaks of the bench's
    own noise on this range, see `_sheet_line`.
    """
    values = _amplitudes(record_pp_v)
    top = max(values)
    fixed = scale.averaged_v if averaged else scale.difference_v
    lines = [
        _sheet_line(top, fixed, scale, _amplitudes(floor_pp_v) if floor_pp_v else []),
        Line.from_limit("converter step, both peaks", scale.step_v, form="triangular", unit="V"),
    ]
    if len(values) > 1 and fixed == 0:
        spread = standard_deviation(values)
        said = f"{len(values)} records"
        lines.append(
            Line("scatter of records", "A", spread, top, "V", len(values) - 1, 1.0, "t", said)
        )
    return _scope_budget(quantity, top, lines, scale, len(values), extra)


def _sheet_line(
    top_v: float, fixed_v: float, scale: ScopeScale, floor_pp_v: Sequence[float]
) -> Line:
    """Line of the sheet's limit L for a peak-to-peak, as read (the floor is not taken off).

    L holds with the scope's noise in both samples. What noise of n from peak to peak adds to a
    peak-to-peak is at least what it adds to another noise, w = v - sqrt(v^2 - n^2), and leaves
    L - w for the rest to either side. So a reading may be L too high, but only L - 2 w too low.
    """
    limit_v = scale.gain_rel * top_v + fixed_v
    name = f"accuracy of {scale.name}"
    noise_v = min(mean(floor_pp_v), fixed_v, top_v) if floor_pp_v else 0.0
    if noise_v == 0 or scale.coverage != "rectangular":
        return Line.from_limit(
            name, limit_v, form=scale.coverage, value=top_v, unit="V", source=scale.source
        )
    added_v = top_v - math.sqrt(top_v**2 - noise_v**2)
    above_v = max(0.0, limit_v - 2 * added_v)
    return Line.from_bounds(
        name, limit_v, above_v, value=top_v, unit="V", source=f"{scale.source}; noise only adds"
    )


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
