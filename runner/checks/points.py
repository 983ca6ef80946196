"""Where to measure: set points, loads, and the voltages on either side of each tap point."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from runner.finding import Finding
from runner.instruments.roles import FixedSteps, Load
from runner.profile import Profile

__all__ = [
    "Band",
    "OutputPoint",
    "allowed_load_a",
    "full_load_a",
    "low_voltage_v",
    "middle_v",
    "setting_points_v",
    "tap_bands",
    "tap_count",
    "winding_points",
]

SETTING_POINTS = 11
BESIDE_TAP_V = 0.05
LOAD_SHARE = 0.95
"""How much of a load's own rating is used at most."""
TAP_POINT = "tap point"
"""Findings of the tap map whose ``what`` begins so carry a measured threshold."""


@dataclass(frozen=True, slots=True)
class Band:
    """Where one tap point lies, rising: surely above ``low_v``, surely below ``high_v``."""

    low_v: float
    high_v: float
    measured: bool


@dataclass(frozen=True, slots=True)
class OutputPoint:
    """A named output voltage."""

    name: str
    volts: float


def full_load_a(profile: Profile) -> float:
    """Rated current in A."""
    return profile.unit.current.high


def low_voltage_v(profile: Profile) -> float:
    """Low voltage for paired measurements: a fifth of the rating, away from tap points, in V."""
    wanted = max(profile.unit.voltage.low, profile.unit.voltage.high / 5)
    for band in tap_bands(profile):
        if band.low_v - 0.5 < wanted < band.high_v + 0.5:
            wanted = max(profile.unit.voltage.low, band.low_v - 0.8)
    return _on_step(profile, wanted)


def allowed_load_a(load: Load, volts: float, wanted_a: float) -> float:
    """Most of ``wanted_a`` that the load may take at this voltage, in A.

    Of a few resistors, what the nearest of them draws: a place is named by what was drawn there.
    """
    by_power_a = LOAD_SHARE * load.max_power_w / volts if volts > 0 else math.inf
    most_a = min(wanted_a, LOAD_SHARE * load.max_current_a, by_power_a)
    return load.nearest_a(volts, most_a) if isinstance(load, FixedSteps) else most_a


def tap_bands(
    profile: Profile, earlier: Mapping[str, Sequence[Finding]] | None = None
) -> list[Band]:
    """Bands of the tap points, rising: as measured by an earlier tap map, else as expected."""
    taps = profile.tap_points
    if taps is None:
        return []
    measured = _measured_v((earlier or {}).get("tap-map", ()))
    bands = []
    for number, tolerance in enumerate(taps.up, start=1):
        values = measured.get(number)
        if values:
            bands.append(Band(min(values), max(values), measured=True))
        else:
            bands.append(Band(tolerance.low, tolerance.high, measured=False))
    return bands


def _measured_v(findings: Sequence[Finding]) -> dict[int, list[float]]:
    found: dict[int, list[float]] = {}
    for finding in findings:
        words = finding.what.split()
        rising = finding.what.startswith(TAP_POINT) and words[-1] == "rising"
        if rising and finding.value is not None:
            found.setdefault(int(words[2].rstrip(",")), []).append(finding.value)
    return found


def tap_count(profile: Profile) -> int:
    """How many tap points the unit has."""
    return len(profile.tap_points.up) if profile.tap_points is not None else 0


def middle_v(profile: Profile) -> float:
    """Half the rated voltage, or a volt below a tap point that would lie there."""
    half_v = profile.unit.voltage.high / 2
    for band in tap_bands(profile):
        if band.low_v - 1.0 < half_v < band.high_v + 1.0:
            return band.low_v - 1.0
    return half_v


def setting_points_v(profile: Profile) -> list[float]:
    """Rising set points in V: 11 evenly over the range, and one each side of each tap point."""
    low, high = profile.unit.voltage.low, profile.unit.voltage.high
    points = [low + (high - low) * i / (SETTING_POINTS - 1) for i in range(SETTING_POINTS)]
    for band in tap_bands(profile):
        points += [band.low_v - BESIDE_TAP_V, band.high_v + BESIDE_TAP_V]
    inside = {_on_step(profile, v) for v in points if low <= v <= high}
    return sorted(inside)


def winding_points(
    profile: Profile,
    earlier: Mapping[str, Sequence[Finding]] | None = None,
    *,
    margin_v: float = BESIDE_TAP_V,
) -> list[OutputPoint]:
    """Points where ripple can differ: low, mid-winding, each side of each tap point, maximum.

    Rising, so that "below" is reached with the lower winding still connected.
    """
    bands = tap_bands(profile, earlier)
    low, high = profile.unit.voltage.low, profile.unit.voltage.high
    points = [OutputPoint("low", max(low, high / 10))]
    edges_v = [low, *(band.high_v for band in bands), high]
    tops_v = [*(band.low_v for band in bands), high]
    for number, (bottom, top) in enumerate(zip(edges_v, tops_v, strict=False), start=1):
        name = f"middle of winding {number}" if bands else "middle"
        points.append(OutputPoint(name, (bottom + top) / 2))
    for number, band in enumerate(bands, start=1):
        points.append(OutputPoint(f"below tap point {number}", band.low_v - margin_v))
        points.append(OutputPoint(f"above tap point {number}", band.high_v + margin_v))
    points.append(OutputPoint("maximum", high))
    placed = [OutputPoint(p.name, _on_step(profile, p.volts)) for p in points]
    return sorted(placed, key=lambda p: p.volts)


def _on_step(profile: Profile, volts: float) -> float:
    step = profile.unit.setting_step or 1e-3
    return round(round(volts / step) * step, 6)
