"""The knob's turn on made-up readings: falls, leaps, direction (common practice: none of them)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from runner.checks.judging import Judge
from runner.checks.knob_turn import jumps_back, knob_findings, leaps
from runner.finding import Decision, Finding
from runner.reading import Reading
from tests.checks import made_up

PROFILE = made_up.profile("kn-1502")
ALLOWED_V = 0.0675
"""0.25 % of 15 V + 30 mV (arithmetic)."""
TURN = np.linspace(0.0, 15.0, 400)


def _found(volts: Sequence[float], *, clockwise: bool | None = True) -> dict[str, Finding]:
    readings = [Reading("knob-voltage", float(v), "V", "meter", "dc-volts") for v in volts]
    events = [] if clockwise is None else [{"what": "clockwise", "raises": clockwise}]
    data = made_up.data("setting", readings, events)
    return {one.what: one for one in knob_findings(data, PROFILE, Judge("setting", PROFILE))}


def test_the_limit_is_the_profiles() -> None:
    assert PROFILE.limit("knob-jump").limit.at(15.0) == pytest.approx(ALLOWED_V)


def test_a_smooth_turn_passes() -> None:
    found = _found(TURN)
    assert len(found) == 3
    assert {one.decision for one in found.values()} == {Decision.PASS}


def test_a_pause_and_a_hurry_are_no_leap() -> None:
    steps = np.where(np.arange(400) % 50 < 15, 0.0, 0.0375)  # rests, then goes on
    assert leaps(np.cumsum(steps).tolist(), ALLOWED_V) == 0
    assert jumps_back(np.cumsum(steps).tolist(), ALLOWED_V) == 0


def test_a_spot_where_the_wiper_lifts_is_a_leap() -> None:
    volts = np.where(TURN > 7.0, TURN + 0.5, TURN)  # nothing between 7.0 V and 7.5 V
    found = _found(volts)
    leap = found["leaps of the voltage while the knob is turned up"]
    assert (leap.value, leap.decision) == (1.0, Decision.FAIL)
    assert found["falls of the voltage while the knob is turned up"].decision is Decision.PASS


def test_a_spot_that_is_not_monotonic_is_a_fall() -> None:
    volts = TURN.copy()
    volts[200:203] -= 0.2
    found = _found(volts)
    assert found["falls of the voltage while the knob is turned up"].decision is Decision.FAIL


def test_a_knob_that_works_backwards_fails_and_one_not_asked_about_is_silent() -> None:
    wrong = _found(TURN, clockwise=False)["turning clockwise raises the voltage"]
    assert wrong.decision is Decision.FAIL and "exchanged" in wrong.reason
    assert "turning clockwise raises the voltage" not in _found(TURN, clockwise=None)


def test_too_few_readings_prove_nothing() -> None:
    found = _found(TURN[:30])
    assert [one.decision for one in found.values()] == [Decision.NOT_MEASURED]


@pytest.mark.parametrize("volts", [[], [1.0]])
def test_nothing_to_count(volts: list[float]) -> None:
    assert leaps(volts, ALLOWED_V) == 0 == jumps_back(volts, ALLOWED_V)
