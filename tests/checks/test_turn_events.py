"""Slow turns: where the output was at the change, and which turns are thrown away."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.checks.turn_events import Crossing, Track, crossing

READ_S = 0.03
RATE = 0.05


def _track(volts: np.ndarray, rising: bool = True) -> Track:
    t_s = READ_S * np.arange(volts.size)
    return Track(list(t_s), list(volts), rising)


def _ramp(seconds: float = 8.0, rate: float = RATE, start_v: float = 12.0) -> np.ndarray:
    return start_v + rate * READ_S * np.arange(int(seconds / READ_S))


@given(st.floats(1.5, 6.0), st.floats(0.005, 0.1), st.booleans())
@settings(max_examples=60, deadline=None)
def test_the_point_lies_inside_what_was_held_and_reached(
    event_s: float, late_s: float, rising: bool
) -> None:
    volts = _ramp() if rising else 2 * 12.0 - _ramp()
    true_v = 12.0 + (1 if rising else -1) * RATE * event_s
    found = crossing(_track(volts, rising), event_s - late_s / 2, event_s + late_s / 2, RATE)
    assert isinstance(found, Crossing)
    assert abs(found.volts - true_v) <= found.between_v + 1e-9
    assert found.between_v <= RATE * (late_s + 2 * READ_S)


def test_a_hand_that_goes_back_is_thrown_away() -> None:
    volts = _ramp()
    volts[100:110] -= 0.05
    assert crossing(_track(volts), 100 * READ_S, 103 * READ_S, RATE) == (
        "the hand went back at the change"
    )


def test_a_hand_that_hesitates_is_thrown_away() -> None:
    volts = _ramp()
    volts[60:140] = volts[60]
    assert "hesitated" in str(crossing(_track(volts), 100 * READ_S, 102 * READ_S, RATE))


def test_a_hand_that_hurries_is_thrown_away() -> None:
    assert "too fast" in str(crossing(_track(_ramp(rate=0.5)), 3.0, 3.05, RATE))


def test_without_readings_on_both_sides_there_is_no_point() -> None:
    assert "both sides" in str(crossing(_track(_ramp()), -1.0, 0.5, RATE))
    assert "both sides" in str(crossing(Track([], [], True), 0.0, 0.1, RATE))


def test_trembling_does_not_shift_the_point() -> None:
    # The comparator answers to the furthest output, trembling included: so does the estimate.
    rng = np.random.default_rng(3)
    errors = []
    for _ in range(200):
        volts = _ramp() + rng.normal(0, 4e-3, int(8.0 / READ_S))
        threshold_v = 12.2
        index = int(np.argmax(volts > threshold_v))
        found = crossing(_track(volts), (index - 1) * READ_S, index * READ_S, RATE)
        if isinstance(found, Crossing):
            errors.append(found.volts - threshold_v)
            assert abs(found.volts - threshold_v) <= found.between_v + 1e-9
    assert len(errors) > 100
    assert abs(float(np.mean(errors))) < 3e-3
