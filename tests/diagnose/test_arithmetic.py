"""The circuits of the relay drive against worked values.

Sources: closed forms (arithmetic), ngspice runs of the same circuits (a relay switch with
hysteresis, a comparator with positive feedback, a sense divider), IEC 60063 for the series.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from runner.diagnose import arithmetic as a
from runner.sense_circuit import SenseCircuit
from tests.diagnose.netlists import measured, needs_ngspice

NETLISTS = Path(__file__).parents[1] / "references" / "ngspice"


def test_corners_of_snubbers() -> None:  # arithmetic
    assert a.rc_corner_hz(100, 100e-9) == pytest.approx(15.915e3, rel=1e-4)
    assert a.rc_corner_hz(10, 100e-9) == pytest.approx(159.15e3, rel=1e-4)
    assert a.rc_corner_hz(47, 22e-9) == pytest.approx(153.92e3, rel=1e-4)


def test_a_filter_leaves_its_share() -> None:  # 1/sqrt(2) at the corner, by definition
    corner = a.rc_corner_hz(10e3, 1e-6)
    assert a.rc_attenuation(10e3, 1e-6, corner) == pytest.approx(2**-0.5)


def test_coil_decay() -> None:  # 0.5 H through 360 Ω, arithmetic
    assert a.coil_decay_s(0.5, 360) == pytest.approx(1.389e-3, rel=1e-3)


@pytest.mark.parametrize(
    ("output_v", "tap_v"), [(-7.0, 0.600), (-8.0, 0.000), (-6.5, 0.900), (0.0, 4.800)]
)
def test_divider(output_v: float, tap_v: float) -> None:  # 12 V rail, upper part 60 %
    assert a.divider_tap_v(12.0, output_v, 0.6) == pytest.approx(tap_v, abs=1e-9)
    assert a.output_at_tap_v(12.0, tap_v, 0.6) == pytest.approx(output_v, abs=1e-9)


def test_output_at_the_threshold_of_a_comparator() -> None:  # arithmetic
    assert a.output_at_tap_v(12.0, 2.5, 0.6) == pytest.approx(-3.833, abs=5e-4)


def test_comparator_against_the_simulated_one() -> None:  # ngspice: 2.74993 V, 2.25011 V
    up, down = a.comparator_thresholds(2.5, 10e3, 100e3, 0.0, 5.0)
    assert up == pytest.approx(2.74993, abs=1e-3)
    assert down == pytest.approx(2.25011, abs=1e-3)
    assert a.feedback_for_window(10e3, up - down, 5.0) == pytest.approx(100e3)


@needs_ngspice
def test_relay_switch(tmp_path: Path) -> None:
    """S1: closes at VT + VH, opens at VT - VH (ngspice manual); 10.5 V and 9.5 V."""
    control = (
        "run\nmeas tran v_up FIND v(ctl) WHEN v(q)=0.5 RISE=1\n"
        "meas tran v_dn FIND v(ctl) WHEN v(q)=0.5 FALL=1"
    )
    up, down = measured(tmp_path, _text("S1_relay_switch"), control, "v_up", "v_dn")
    assert (up, down) == pytest.approx((10.5, 9.5), abs=1e-3)
    circuit = _circuit("10 V ± 0.5 V")  # the same window as the corners of a threshold
    assert (circuit.rising.high, circuit.rising.low) == pytest.approx((up, down), abs=1e-3)


@needs_ngspice
def test_comparator_in_ngspice(tmp_path: Path) -> None:
    """S2: 2.75 V up, 2.25 V down; the same as a sensing circuit with feedback."""
    control = (
        "run\nmeas tran v_up FIND v(in) WHEN v(out)=2.5 RISE=1\n"
        "meas tran v_dn FIND v(in) WHEN v(out)=2.5 FALL=1"
    )
    found = measured(tmp_path, _text("S2_schmitt"), control, "v_up", "v_dn")
    assert a.comparator_thresholds(2.5, 10e3, 100e3, 0.0, 5.0) == pytest.approx(found, abs=1e-3)
    circuit = SenseCircuit.model_validate(
        {"threshold": "2.5 V ± 0 V", "to_output": "10K ± 0 %", "feedback": "100K ± 0 %",
         "feedback_below": "0 V ± 0 V", "feedback_above": "5 V ± 0 V"}
    )  # fmt: skip
    assert [circuit.rising.nominal, circuit.falling.nominal] == pytest.approx(found, abs=1e-3)


@needs_ngspice
def test_divider_in_ngspice(tmp_path: Path) -> None:
    """S5: 0.600 V at the tap."""
    (found,) = measured(tmp_path, _text("S5_divider"), "run\nprint v(tap)", "v(tap)")
    assert a.divider_tap_v(12.0, -7.0, 0.6) == pytest.approx(found, abs=1e-6)


@needs_ngspice
@pytest.mark.parametrize("f_hz", [50.0, 100.0])
def test_filter_at_a_sense_node_in_ngspice(tmp_path: Path, f_hz: float) -> None:
    """15 k, 10 k and 220 k to stiff voltages with 0.47 uF: what is left of a ripple (ngspice)."""
    circuit = (
        f"node\nVO o 0 SIN(7 1 {f_hz})\nR1 o n 10k\nR2 n r 15k\nVR r 0 12\nR3 n f 220k\n"
        f"VF f 0 12\nC1 n 0 0.47u\n.tran 20u {12 / f_hz} {10 / f_hz} 20u uic\n"
    )
    control = "run\nmeas tran swing PP v(n)"
    with_c, without = (
        measured(tmp_path, one, control, "swing")[0]
        for one in (circuit, circuit.replace("0.47u", "1p"))
    )
    ohm = a.sense_node_ohm([10e3, 15e3, 220e3])
    assert a.rc_attenuation(ohm, 0.47e-6, f_hz) == pytest.approx(with_c / without, rel=5e-3)


@needs_ngspice
def test_coil_in_ngspice(tmp_path: Path) -> None:
    """0.5 H and 360 ohm, 24 V taken away: decay through 0 V of diode; peak with 100 nF beside."""
    coil = "coil\nL1 a b 0.5 IC=66.667m\nR1 b 0 360\n{}\n.tran 1u 4m 0 1u uic\n"
    control = f"run\nmeas tran t WHEN i(L1)={66.667e-3 / math.e:.6g} FALL=1"
    (tau_s,) = measured(tmp_path, coil.format("V1 a 0 0"), control, "t")
    assert a.coil_decay_s(0.5, 360.0) == pytest.approx(tau_s, rel=2e-3)
    peak = coil.format("C1 a 0 100n IC=0")
    (lowest_v,) = measured(tmp_path, peak, "run\nmeas tran low MIN v(a)", "low")
    most_v = a.coil_peak_v(24.0 / 360.0, 0.5, 100e-9)
    assert 0.8 * most_v < -lowest_v < most_v  # the coil's own resistance takes a part


@pytest.mark.parametrize(("percent", "low", "high"), [(1, 6.684, 7.154), (5, 6.116, 7.800)])
def test_spread_of_the_switching_output(percent: int, low: float, high: float) -> None:
    """12 V rail, upper part 60 %, base 0.6 V to 0.7 V, resistors ±1 % and ±5 % (arithmetic)."""
    circuit = SenseCircuit.model_validate(
        {"threshold": "0.65 V ± 0.05 V", "to_output": f"4K ± {percent} %", "output": "negative",
         "rail": "12 V ± 0 V", "to_rail": f"6K ± {percent} %"}
    )  # fmt: skip
    assert (circuit.rising.low, circuit.rising.high) == pytest.approx((low, high), abs=1e-3)


def _circuit(threshold: str) -> SenseCircuit:
    return SenseCircuit.model_validate({"threshold": threshold, "to_output": "10K ± 1 %"})


def _text(name: str) -> str:
    return (NETLISTS / f"{name}.cir").read_text(encoding="utf-8")


def test_nearest_value_of_the_series() -> None:  # IEC 60063
    assert a.nearest_e24(46.9e3) == pytest.approx(47e3)
    assert a.nearest_e24(0.0088) == pytest.approx(0.0091)


def test_reservoir_by_the_reference_circuit() -> None:
    """10 mF at 3 A and 50 Hz: 2.12 V peak to peak in the reference circuit."""
    assert a.reservoir_f(3.0, 50.0, 2.12) == pytest.approx(10e-3, rel=0.02)
