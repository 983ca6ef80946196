"""Budgets of a tap point and of the hysteresis between the two ways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from runner.metrology.budget import Budget, Line
from runner.metrology.plain import finite, not_negative
from runner.metrology.propagate import propagate
from runner.metrology.readings import mean_of_readings
from runner.metrology.scale import Scale

__all__ = ["Motion", "hysteresis", "tap_point"]


@dataclass(frozen=True)
class Motion:
    """How the output moved through a tap point, and how the change was noticed.

    `rate_v_per_s` is signed: positive on the way up. The change is noticed between
    `latency_min_s` and `latency_max_s` after it took place. `step_v` is the size of the steps
    of a staircase (0 for a turned knob): the point lies within the last step.
    `between_readings_v` is how far the output may lie from the line drawn between the two
    meter readings around the event (half-width).
    """

    rate_v_per_s: float = 0.0
    latency_min_s: float = 0.0
    latency_max_s: float = 0.0
    step_v: float = 0.0
    between_readings_v: float = 0.0
    detector: str = "detector"

    def __post_init__(self) -> None:
        finite("rate_v_per_s", self.rate_v_per_s)
        not_negative("latency_min_s", self.latency_min_s)
        not_negative("latency_max_s", self.latency_max_s)
        not_negative("step_v", self.step_v)
        not_negative("between_readings_v", self.between_readings_v)
        if self.latency_max_s < self.latency_min_s:
            raise ValueError(
                f"latency_max_s: expected at least {self.latency_min_s!r}, "
                f"found {self.latency_max_s!r}"
            )


def tap_point(
    quantity: str,
    crossings_v: Sequence[float],
    scale: Scale,
    motion: Motion,
    *,
    rising: bool,
    extra: Sequence[Line] = (),
) -> Budget:
    """Return the budget of a tap point (V) from the voltages at which the change was noticed.

    `crossings_v`, one a pass: the interpolated output at the time the change was noticed, or
    the staircase level at which it was first there. Rate times mean latency and half a step
    are taken off; the latency's and the step's half-widths stay as rectangles. 0.2 V/s and
    0 to 50 ms: 5 mV taken off, 5 mV half-width.
    """
    latency_s = (motion.latency_min_s + motion.latency_max_s) / 2
    latency_half_s = (motion.latency_max_s - motion.latency_min_s) / 2
    way = 1.0 if rising else -1.0
    overshoot_v = motion.rate_v_per_s * latency_s + way * motion.step_v / 2
    lines = list(extra)
    if motion.rate_v_per_s != 0 and latency_half_s > 0:
        lines.append(
            Line.from_limit(
                "noticed late",
                latency_half_s,
                value=latency_s,
                unit="s",
                sensitivity=-motion.rate_v_per_s,
                source=f"{motion.detector}, {motion.rate_v_per_s:g} V/s",
                shared=f"latency of {motion.detector}",
            )
        )
    if motion.step_v > 0:
        lines.append(Line.from_limit("within the last step", motion.step_v / 2, unit="V"))
    if motion.between_readings_v > 0:
        lines.append(Line.from_limit("between two readings", motion.between_readings_v, unit="V"))
    seen = mean_of_readings(quantity, crossings_v, scale, extra=lines)
    return replace(seen, value=seen.value - overshoot_v)


def hysteresis(up: Budget, down: Budget) -> Budget:
    """Return the budget of up - down (V).

    On one range the meter's offset leaves and its gain counts on the difference; a detector
    that is late counts on both ways.
    """
    return propagate("hysteresis", up.unit, lambda up, down: up - down, {"up": up, "down": down})
