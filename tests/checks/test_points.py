"""Where the checks measure: enough points, inside the range, on both sides of each tap point."""

from __future__ import annotations

import pytest

from runner.checks.points import low_voltage_v, setting_points_v, tap_bands, winding_points
from runner.finding import Decision, Finding
from tests.checks.made_up import profile

NAMES = ("lb-2403", "lb-3605", "kn-1502", "sw-3010")


@pytest.mark.parametrize("name", NAMES)
def test_at_least_eleven_points_over_the_whole_range(name: str) -> None:
    # Practice: 11 points or more from 0 to 100 %.
    unit = profile(name).unit
    points = setting_points_v(profile(name))
    assert len(points) >= 11
    assert points[0] == unit.voltage.low and points[-1] == unit.voltage.high
    assert points == sorted(set(points))


@pytest.mark.parametrize("name", NAMES)
def test_points_on_both_sides_of_each_tap_point(name: str) -> None:
    unit = profile(name)
    for band in tap_bands(unit):
        points = setting_points_v(unit)
        assert any(band.low_v - 0.1 < v < band.low_v for v in points)
        assert any(band.high_v < v < band.high_v + 0.1 for v in points)
    names = [p.name for p in winding_points(unit)]
    for number in range(1, 1 + len(tap_bands(unit))):
        assert f"below tap point {number}" in names and f"above tap point {number}" in names
    volts = [p.volts for p in winding_points(unit)]
    assert volts == sorted(volts)


def test_measured_tap_points_replace_the_expected_ones() -> None:
    measured = [
        Finding("tap-map", "tap point 1, rising", "at 50% of full load", v, "V", Decision.PASS)
        for v in (12.48, 12.5)
    ]
    points = {p.name: p.volts for p in winding_points(profile(), {"tap-map": measured})}
    assert points["below tap point 1"] == pytest.approx(12.43)
    assert points["above tap point 1"] == pytest.approx(12.55)


@pytest.mark.parametrize("name", NAMES)
def test_the_low_voltage_stays_clear_of_tap_points(name: str) -> None:
    unit = profile(name)
    low = low_voltage_v(unit)
    assert 0 < low <= unit.unit.voltage.high / 2
    assert all(not band.low_v - 0.5 < low < band.high_v + 0.5 for band in tap_bands(unit))
