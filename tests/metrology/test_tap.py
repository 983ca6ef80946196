"""Tap points and hysteresis: late notice, steps, one meter for both ways."""

from __future__ import annotations

import math
from typing import Any

import pytest

from runner.metrology.readings import mean_of_readings
from runner.metrology.tap import Motion, hysteresis, tap_point

from .outside import OUTSIDE, meter_scale

LATENCY = OUTSIDE["tap_latency"]
RATE = LATENCY["rate_v_per_s"]


def _motion(rate: float = RATE, **more: Any) -> Motion:
    return Motion(rate, 0.0, LATENCY["latency_s"], **more)


def test_knob_rate_times_latency() -> None:
    # Common practice: 0.2 V/s x 50 ms = 10 mV at worst; the middle is taken off.
    budget = tap_point("tap 1 up", [9.510], meter_scale(), _motion(), rising=True)
    late = next(line for line in budget.lines if line.name == "noticed late")
    assert 2 * abs(late.contribution) * math.sqrt(3) == pytest.approx(LATENCY["largest_error_v"])
    assert budget.value == pytest.approx(9.505)
    falling = tap_point("tap 1 down", [9.110], meter_scale(), _motion(-RATE), rising=False)
    assert falling.value == pytest.approx(9.115)


def test_staircase_point_lies_half_a_step_back() -> None:
    # Rectangle of half-width step/2 (GUM 4.3.7): 5 mV steps, u = 1.443 mV.
    motion = Motion(step_v=5e-3)
    up = tap_point("up", [9.505], meter_scale(), motion, rising=True)
    down = tap_point("down", [9.095], meter_scale(), motion, rising=False)
    assert (up.value, down.value) == (pytest.approx(9.5025), pytest.approx(9.0975))
    step = next(line for line in up.lines if "step" in line.name)
    assert step.u * 1e3 == pytest.approx(1.443, abs=1e-3)


def test_passes_give_the_scatter() -> None:
    budget = tap_point("up", [9.50, 9.51, 9.49, 9.50, 9.50], meter_scale(), _motion(), rising=True)
    scatter = budget.lines[0]
    assert (scatter.kind, scatter.dof) == ("A", 4)
    assert scatter.u == pytest.approx(math.sqrt(2e-4 / 4 / 5))


def test_hysteresis_loses_the_offset_and_counts_the_latency_twice() -> None:
    scale = meter_scale()
    up = tap_point("up", [9.510], scale, _motion(), rising=True)
    down = tap_point("down", [9.010], scale, _motion(-RATE), rising=False)
    both = hysteresis(up, down)
    assert both.value == pytest.approx(9.505 - 9.015)
    late = 2 * 5e-3 / math.sqrt(3)  # the detector is late on both ways
    gain = 0.0035e-2 * 0.5 / math.sqrt(3)
    assert both.u == pytest.approx(math.hypot(late, gain), rel=1e-6)


def test_hysteresis_of_a_staircase() -> None:
    motion, scale = Motion(step_v=5e-3), meter_scale()
    up = tap_point("up", [9.505], scale, motion, rising=True)
    down = tap_point("down", [9.095], scale, motion, rising=False)
    both = hysteresis(up, down)
    steps = math.sqrt(2) * 2.5e-3 / math.sqrt(3)
    assert both.u == pytest.approx(steps, rel=1e-4)


def test_interpolation_between_readings_is_a_rectangle() -> None:
    plain = mean_of_readings("up", [9.5], meter_scale())
    motion = Motion(between_readings_v=1e-3)
    budget = tap_point("up", [9.5], meter_scale(), motion, rising=True)
    assert budget.u == pytest.approx(math.hypot(plain.u, 1e-3 / math.sqrt(3)))


def test_refusals() -> None:
    with pytest.raises(ValueError, match=r"latency_max_s: expected at least 0\.1, found 0\.05"):
        Motion(0.2, 0.1, 0.05)
    with pytest.raises(ValueError, match="values: expected at least 1 readings"):
        tap_point("up", [], meter_scale(), _motion(), rising=True)
