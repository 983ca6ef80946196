"""Features that lie in readings and events: small records whose answers are known by hand."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from runner.diagnose import part_features
from runner.diagnose.capacitors import Farads
from runner.diagnose.feature import Feature, is_near
from runner.diagnose.mains_content import ripple_features
from runner.diagnose.run_features import run_features
from runner.finding import Decision, Finding
from runner.metrology.dispersion import Dispersion
from runner.profile import find_profile, load_profile
from runner.reading import Reading
from runner.record.reader import CheckData, Record
from tests.diagnose.seen import LUCK, unlucky

LB = load_profile(find_profile("lb-2403"))
"""24 V, 3 A, one tap point."""
KN = load_profile(find_profile("kn-1502"))


def _record(*lines: dict[str, Any]) -> Record:
    return Record(Path(), [{"kind": "record"}, *lines], "", len(lines) + 1)


def _reading(check: str, quantity: str, value: float, **at: float | str) -> dict[str, Any]:
    one = Reading(quantity, value, "V", "meter", "dc-volts", at=at)
    return {"kind": "reading", "check": check, **one.to_dict()}


def _state(found: dict[str, Feature], name: str) -> str:
    return found[name].state


@pytest.mark.parametrize(
    ("volts", "state"),
    [
        (20.0, "ok"),  # what was set
        (14.8, "low"),  # all that the first of two windings gives: 0.74 of 20 V
        (0.0, "gone"),
        (27.4, "far above rated"),  # raw voltage through a leak, against the bleeder
        (38.1, "raw"),  # 1.41 times some 27 V rms: the reservoir at no load
    ],
)
def test_the_first_volts_at_no_load(volts: float, state: str) -> None:
    record = _record(_reading("earth-reference", "output-voltage", volts, when="before"))
    assert _state(run_features(record, LB), "early") == state


def test_a_knob_without_effect_tells_where_the_output_rests() -> None:
    reason = "asked for about 15.00 V 3 times, the output came to rest at 25.87 V; the knob may be"
    line = {"kind": "unit-refuses", "check": "earth-reference", "reason": reason,
            "wanted": "output follows the knob"}  # fmt: skip
    found = run_features(_record(line), KN)
    states = {name: _state(found, name) for name in ("early", "refused", "disobeys")}
    assert states == {"early": "raw", "refused": "in earth-reference", "disobeys": "early"}


def test_what_was_not_measured_is_left_out() -> None:
    assert set(run_features(_record(), LB)) == {"refused", "disobeys"}


def _compared(share: float, before_w: float, after_w: float, tap: int = 1) -> dict[str, Any]:
    return {"kind": "event", "check": "tap-map", "what": "sensors-compared", "tap": tap,
            "direction": "rising", "share": share, "power_before_w": before_w,
            "power_after_w": after_w}  # fmt: skip


@pytest.mark.parametrize(
    ("idle_w", "half_w", "after_w", "states"),
    [
        # 12.5 V, 0.09 A and 1.5 A: 1.1 W and 18.8 W leave the unit; 72 W is rated.
        (8.0, 42.0, 65.0, ("ok", "ok", "ok")),
        (10.4, 65.6, 65.6, ("more", "high", "no step")),  # the upper winding all the time
        (57.0, 92.0, 115.0, ("very high", "very high", "small")),  # 49 W in a leaking reservoir
    ],
)
def test_inlet_power_tells_a_welded_contact_and_a_leak(
    idle_w: float, half_w: float, after_w: float, states: tuple[str, str, str]
) -> None:
    change = {"kind": "event", "check": "tap-map", "what": "tap-change", "output_v": 12.5}
    light, half = _compared(0.03, idle_w, 1.2 * idle_w), _compared(0.5, half_w, after_w)
    found = run_features(_record(change, light, half), LB)
    assert tuple(_state(found, n) for n in ("idle_power", "tap_power", "power_step")) == states


def test_exchanged_windings_take_power_down_at_the_last_tap_point() -> None:
    """5 A at 24 V: the third winding's 58 V peak, then the second's 42 V: 283 W to 207 W."""
    change = {"kind": "event", "check": "tap-map", "what": "tap-change", "output_v": 12.0}
    first, last = _compared(1.0, 128.0, 282.0), _compared(1.0, 283.0, 207.0, tap=2)
    found = run_features(_record(change, first, last), LB)
    assert tuple(_state(found, n) for n in ("power_step", "power_last")) == ("ok", "falls")


def _ripple(full: tuple[float, float], light: tuple[float, float]) -> CheckData:
    """A check at one place: amplitudes (V) at the line and at twice it, full and light load."""
    rows = []
    for share, (f_v, f2_v) in ((1.0, full), (0.1, light)):
        at: dict[str, float | str] = {"point": "low", "set_v": 2.4, "share": share}
        rms_v = math.hypot(math.hypot(f_v, f2_v) / math.sqrt(2.0), 1e-4)
        for name, value in (("ripple-f", f_v), ("ripple-2f", f2_v), ("ripple-rms", rms_v)):
            rows.append(Reading(name, value, "V", "scope", "", at=at))
    return CheckData("ripple", rows, [], [], [], {})


@pytest.mark.parametrize(
    ("full", "light", "states"),
    [
        ((1e-6, 1.2e-4), (1e-6, 2e-5), ("quiet", "ok", "no", "ok")),
        ((1e-3, 4e-4), (1e-4, 5e-5), ("f", "more", "yes", "ok")),  # half-wave: ngspice A5, 2.3
        ((1e-6, 9e-4), (1e-6, 9e-5), ("2f", "high", "no", "ok")),  # five times the raw ripple
        ((1e-6, 9e-3), (1e-6, 9e-3), ("2f", "huge", "no", "high")),  # hum at any load
    ],
)
def test_what_ripple_is_made_of(
    full: tuple[float, float], light: tuple[float, float], states: tuple[str, ...]
) -> None:
    found = ripple_features(_ripple(full, light), [], 50.0)
    names = ("ripple_line", "hum", "half_wave", "noise_light")
    assert tuple(_state(found, name) for name in names) == states


def test_an_unlucky_twin_fails_one_value_within_its_uncertainty() -> None:
    findings = [
        Finding("c", f"quantity {k}", "", -1.0 if k % 2 else 1.0, "V", Decision.PASS,
                u_expanded=0.1, limit_low=-5.0 if k % 2 else None, limit_high=5.0)
        for k in range(6)
    ]  # fmt: skip
    twins = unlucky(findings, np.random.default_rng(1))
    assert len(twins) == LUCK
    for twin in twins:
        changed = [f for f, old in zip(twin, findings, strict=True) if f != old]
        assert len(changed) == 1
        assert is_near(changed[0])


@pytest.mark.parametrize(
    ("farad", "state"),
    [
        (10e-3, "ok"),  # 0.7·3 A/(2·50 Hz·2.4 V) = 8.75 mF: a usual part
        (6.5e-3, "less"),
        (2.2e-3, "little"),
        (1.0e-3, "hardly any"),
    ],
)
def test_what_is_left_of_a_reservoir_is_told_in_parts_of_a_usual_one(
    monkeypatch: pytest.MonkeyPatch, farad: float, state: str
) -> None:
    left = Farads(farad, Dispersion(0.02 * farad), "a trace")
    monkeypatch.setattr(part_features, "reservoir_farads", lambda *_: left)
    found = part_features.part_features(_record(), LB)
    assert {name: one.state for name, one in found.items()} == {"farads": state}
    assert found["farads"].value == pytest.approx(farad / 8.75e-3)
