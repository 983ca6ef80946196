"""Leaks from the terminals to earth: the divider worked backwards."""

from __future__ import annotations

import pytest

from runner.metrology.budget import Budget
from runner.metrology.earth import leak_by_bleed, leaks_by_meter
from runner.metrology.readings import mean_of_readings

from .outside import OUTSIDE, known, meter_scale

CASE = OUTSIDE["earth_leak"]
VB, LEAK, METER, BLEED = (CASE[key] for key in ("output_v", "leak_ohm", "meter_ohm", "bleed_ohm"))


def _volts(value: float) -> Budget:
    return mean_of_readings("voltage to earth", [value], meter_scale(100.0, 0.0045, 0.0006))


def _ohms(value: float, pct: float = 1.0) -> Budget:
    return known(value, value * pct / 100, unit="Ω")


def _divided(lower_ohm: float, upper_ohm: float) -> float:
    return VB * lower_ohm / (lower_ohm + upper_ohm)


def _parallel(a: float, b: float) -> float:
    return a * b / (a + b)


def test_one_megohm_at_the_positive_terminal() -> None:
    without = _divided(METER, LEAK)
    bled = _divided(_parallel(METER, BLEED), LEAK)
    assert (without, bled) == (
        pytest.approx(CASE["without_v"], abs=0.1),
        pytest.approx(CASE["with_bleed_v"], abs=0.05),
    )
    budget = leak_by_bleed(_volts(VB), _volts(-without), _volts(-bled), _ohms(BLEED))
    assert budget.value == pytest.approx(LEAK, rel=1e-9)
    # The bleed resistor's 1 % rules: the meter's gain leaves (its resistance, too).
    assert budget.u / budget.value == pytest.approx(0.01, rel=0.01)


def test_two_leaks_by_two_readings() -> None:
    # R_p 5 Mohm and R_n 20 Mohm, each reading loads its own terminal with 10 Mohm.
    positive_ohm, negative_ohm = 5e6, 20e6
    v1 = _divided(_parallel(negative_ohm, METER), positive_ohm)
    v2 = _divided(_parallel(positive_ohm, METER), negative_ohm)
    p, n = leaks_by_meter(_volts(VB), _volts(-v1), _volts(v2), _ohms(METER))
    assert p.value == pytest.approx(positive_ohm, rel=1e-9)
    assert n.value == pytest.approx(negative_ohm, rel=1e-9)
    assert p.u / p.value == pytest.approx(0.01, rel=0.05)
    assert p.unit == "Ω"


def test_hard_tie_and_ghost_are_refused_with_their_reason() -> None:
    with pytest.raises(ValueError, match="use a bleed resistor"):
        leaks_by_meter(_volts(VB), _volts(-29.9999), _volts(1e-4), _ohms(METER))
    with pytest.raises(ValueError, match="no leak of the positive terminal shows"):
        leaks_by_meter(_volts(VB), _volts(-1e-5), _volts(5.0), _ohms(METER))
    with pytest.raises(ValueError, match="a hard connection"):
        leak_by_bleed(_volts(VB), _volts(VB), _volts(VB), _ohms(BLEED))
    with pytest.raises(ValueError, match="nothing drives the terminal"):
        leak_by_bleed(_volts(VB), _volts(20.0), _volts(0.0), _ohms(BLEED))
