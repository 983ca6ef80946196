"""Remedies computed from a profile's sensing circuit, against the circuit solved by ngspice."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from runner.diagnose.remedies import remedies_for
from runner.finding import Decision, Finding
from runner.profile import Profile, find_profile, load_profile
from tests.diagnose.netlists import measured, needs_ngspice

TRACED, PLAIN = (load_profile(find_profile(name)) for name in ("kn-1502", "lb-2403"))


def _glitch(volts: float) -> Finding:
    return Finding("tap-map", "glitch at tap point 1", "", volts, "V", Decision.PASS)


def _numbers(pattern: str, text: str) -> list[float]:
    found = re.search(pattern, text)
    assert found is not None, text
    return [float(one) for one in found.groups()]


@needs_ngspice
def test_the_feedback_resistor_gives_the_hysteresis_told(tmp_path: Path) -> None:
    """12 V rail, 15 k, output below through 10 k, driver from 12 V to 0.2 V (ngspice)."""
    told = remedies_for("hysteresis", TRACED, [_glitch(0.3)])[0].what
    ohm, width_v, up_v = _numbers(
        r"([\d.]+) kΩ ±5 % as feedback .* gives ([\d.]+) V of .* point is then ([\d.]+) V", told
    )
    points = []
    for driver_v in (12.0, 0.2):
        circuit = (
            f"node\nVO o 0 0\nR1 o n 10k\nR2 n r 15k\nVR r 0 12\nR3 n f {ohm}k\nVF f 0 {driver_v}\n"
            ".dc VO -20 0 0.001\n"
        )
        control = "run\nmeas dc v_out FIND v(o) WHEN v(n)=0.65 RISE=1"
        points.append(-measured(tmp_path, circuit, control, "v_out")[0])
    assert points[0] == pytest.approx(up_v, abs=6e-3)
    assert points[0] - points[1] == pytest.approx(width_v, rel=6e-3)
    assert width_v >= 3 * 0.3 * 0.95  # three times the disturbance, but for the E24 step


def test_a_filter_is_as_strong_as_the_disturbance_needs() -> None:
    """A quarter of the 0.536 V of hysteresis (10 k·11.8 V/220 k) may be left of 2 V at 100 Hz."""
    told = remedies_for("hysteresis", TRACED, [_glitch(2.0)])[1].what
    (left_mv,) = _numbers(r"100 Hz, ([\d.]+) mV of 2000 mV", told)
    assert left_mv == pytest.approx(0.25 * 536.4, rel=0.06)  # a step of E24 is 10 %


def test_a_shift_is_told_at_the_sense_node() -> None:
    """1.0 V at the output is 1/(1 + 10/15 + 10/220) = 0.584 V at the node (superposition)."""
    circuit = TRACED.tap_points.circuit if TRACED.tap_points else None
    assert circuit is not None
    point = Finding("tap-map", "tap point 1, rising", "", circuit[0].rising.nominal + 1.0, "V",
                    Decision.FAIL)  # fmt: skip
    told = remedies_for("threshold", TRACED, [point])[0].what
    assert "+1 V from there, 0.584 V at the sense node" in told
    assert "more than the tolerances explain" in told


@pytest.mark.parametrize("profile", [TRACED, PLAIN], ids=["traced", "plain"])
@pytest.mark.parametrize(
    "kind", ["reservoir", "hysteresis", "coil", "output-capacitor", "threshold"]
)
def test_every_remedy_has_formula_and_caution(profile: Profile, kind: str) -> None:
    remedies = remedies_for(kind, profile)
    assert remedies
    assert all(one.what and one.formula and "mains unit" in one.caution for one in remedies)


def test_the_reservoir_is_that_of_the_operating_point() -> None:
    """0.7·3 A/(2·50 Hz·2.4 V) = 8.75 mF, next of E24 9.1 mF; 1.87·3 A rms (arithmetic)."""
    told = remedies_for("reservoir", PLAIN)[0].what
    assert "9100 µF" in told and "5.6 A rms at 100 Hz" in told


def test_without_a_circuit_an_example_says_that_it_is_one() -> None:
    assert all("for instance" in one.what for one in remedies_for("hysteresis", PLAIN)[:2])
