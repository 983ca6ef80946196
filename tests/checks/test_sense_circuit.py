"""Tap points computed from the circuit that decides on them, and what is measured against it."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.checks import tap_map_findings
from runner.errors import InputError
from runner.finding import Decision
from runner.profile import Profile, find_profile, load_profile
from runner.sense_circuit import SenseCircuit
from tests.checks import made_up
from tests.checks.made_up import data
from tests.checks.tap_events import tap_events


def _divider(threshold: str, tolerance: str = "0 %") -> SenseCircuit:
    """Twelve volts of rail, 60 % of the divider above the node, negative output."""
    return SenseCircuit.model_validate(
        {
            "output": "negative", "rail": "12 V ± 0 V", "to_rail": f"6K ± {tolerance}",
            "to_output": f"4K ± {tolerance}", "threshold": threshold,
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("node_v", "output_v"),
    # Worked example (arithmetic; the first run in ngspice): node = 12 - 0.6·(12 - V).
    [(0.6, 7.0), (0.0, 8.0), (0.9, 6.5), (2.5, 3.8333333)],
)
def test_divider_between_rail_and_negative_output(node_v: float, output_v: float) -> None:
    circuit = _divider(f"{node_v} V ± 0 V")
    assert circuit.rising.nominal == pytest.approx(output_v, abs=1e-6)
    assert circuit.falling == circuit.rising  # no feedback, no hysteresis
    assert circuit.hysteresis.nominal == 0.0


@pytest.mark.parametrize(
    ("tolerance", "low", "high"), [("1 %", 6.684, 7.154), ("5 %", 6.116, 7.800)]
)
def test_spread_of_the_threshold(tolerance: str, low: float, high: float) -> None:
    # Corners of resistors and a base voltage of 0.6 V to 0.7 V (arithmetic).
    found = _divider("0.65 V ± 0.05 V", tolerance).rising
    assert found.low == pytest.approx(low, abs=5e-4)
    assert found.high == pytest.approx(high, abs=5e-4)


def test_comparator_with_positive_feedback() -> None:
    # V_up = V_ref·(1 + R1/R2) - V_L·R1/R2: 2.7500 V and 2.2500 V (ngspice: 2.74993, 2.25011).
    circuit = SenseCircuit.model_validate(
        {
            "threshold": "2.5 V ± 0 V", "to_output": "10 kΩ ± 0 %", "feedback": "100K ± 0 %",
            "feedback_below": "0 V ± 0 V", "feedback_above": "5 V ± 0 V",
        }
    )  # fmt: skip
    assert circuit.rising.nominal == pytest.approx(2.75, abs=1e-9)
    assert circuit.falling.nominal == pytest.approx(2.25, abs=1e-9)
    assert circuit.hysteresis.nominal == pytest.approx(0.5, abs=1e-9)


def test_shared_parts_move_both_points_together() -> None:
    # The threshold drops out of the difference: V_fb·R1/R2 only, ±1 % each (arithmetic).
    circuit = SenseCircuit.model_validate(
        {
            "threshold": "2.5 V ± 0.2 V", "to_output": "10K ± 1 %", "feedback": "100K ± 1 %",
            "feedback_below": "0 V ± 0 V", "feedback_above": "5 V ± 0 V",
        }
    )  # fmt: skip
    assert circuit.hysteresis.low == pytest.approx(0.5 * 0.99 / 1.01, rel=1e-9)
    assert circuit.hysteresis.high == pytest.approx(0.5 * 1.01 / 0.99, rel=1e-9)


def test_a_measured_point_that_disagrees_says_by_how_much() -> None:
    profile = made_up.profile("kn-1502")
    assert profile.tap_points is not None and profile.tap_points.circuit is not None
    due_v = profile.tap_points.circuit[0].rising.nominal
    found = tap_map_findings.findings(
        data("tap-map", events=tap_events(due_v + 1.0, due_v)), profile
    )
    rising = next(f for f in found if f.what == "tap point 1, rising")
    assert rising.decision is Decision.FAIL
    assert "0.998 V above the 7.433 V that the sensing circuit gives" in rising.reason
    width = next(f for f in found if f.what.startswith("hysteresis"))
    assert width.decision is Decision.FAIL and width.limit_high == pytest.approx(0.633, abs=1e-3)


def test_a_profile_is_the_same_after_the_record(tmp_path: Path) -> None:
    profile = load_profile(find_profile("kn-1502"))
    assert Profile.model_validate(profile.model_dump(mode="json")) == profile


@pytest.mark.parametrize(
    ("line", "replacement", "said"),
    [
        ('threshold = "0.65 V ± 0.05 V"', "", "'threshold'"),
        ('to_rail = "15K ± 1 %"', "", "rail and to_rail together"),
        ('to_rail = "15K ± 1 %"', 'to_rail = "15 V ± 1 %"', "printed on a resistor"),
        ('feedback = "220K ± 5 %"', 'feedback = "220K"', "with its tolerance"),
        ('hysteresis_min = "0.3 V"', 'up = ["9 V ± 1 V"]', "either up or the sensing circuit"),
        ('rail = "12 V ± 2 %"', 'rial = "12 V"', "'rial'"),
    ],
)
def test_a_wrong_circuit_is_named(tmp_path: Path, line: str, replacement: str, said: str) -> None:
    text = find_profile("kn-1502").read_text(encoding="utf-8")
    assert line in text
    file = tmp_path / "p.toml"
    file.write_text(text.replace(line, replacement), encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_profile(file)
    assert said in str(error.value)
    assert "limits.tap-points" in str(error.value)
