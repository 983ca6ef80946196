"""The circuits of the relay drive against worked values.

Sources: closed forms (arithmetic), ngspice runs of the same circuits (a relay switch with
hysteresis, a comparator with positive feedback, a sense divider), IEC 60063 for the series.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from runner.diagnose import arithmetic as a

NGSPICE = shutil.which("ngspice")


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


@pytest.mark.skipif(NGSPICE is None, reason="needs ngspice")
def test_the_divider_in_ngspice(tmp_path: Path) -> None:
    found = _ngspice(
        tmp_path,
        "divider\nV1 rail 0 12\nV2 out 0 -7\nR1 rail tap 6k\nR2 tap out 4k\n"
        ".op\n.control\nrun\nprint v(tap)\n.endc\n.end\n",
        "v(tap)",
    )
    assert a.divider_tap_v(12.0, -7.0, 0.6) == pytest.approx(found, abs=1e-6)


@pytest.mark.skipif(NGSPICE is None, reason="needs ngspice")
def test_the_relay_switch_in_ngspice(tmp_path: Path) -> None:
    """A switch with VT 10 V, VH 0.5 V closes at 10.5 V on a rising ramp (ngspice manual)."""
    found = _ngspice(
        tmp_path,
        "relay\nVin in 0 PWL(0 0 1 20)\nVs s 0 5\nRl s o 1k\nS1 o 0 in 0 rel\n"
        ".model rel SW(VT=10 VH=0.5 RON=1 ROFF=1e9)\n.tran 0.1m 1\n"
        ".control\nrun\nmeas tran closes FIND v(in) WHEN v(o)=2.5 FALL=1\n.endc\n.end\n",
        "closes",
    )
    assert found == pytest.approx(10.5, abs=5e-3)


def _ngspice(folder: Path, circuit: str, name: str) -> float:
    path = folder / "circuit.cir"
    path.write_text(circuit, encoding="utf-8")
    said = subprocess.run(
        [str(NGSPICE), "-b", str(path)], capture_output=True, text=True, timeout=60, check=False
    ).stdout
    found = re.search(re.escape(name) + r"\s*=\s*([-+\d.eE]+)", said)
    assert found is not None, said
    return float(found[1])


def test_nearest_value_of_the_series() -> None:  # IEC 60063
    assert a.nearest_e24(46.9e3) == pytest.approx(47e3)
    assert a.nearest_e24(0.0088) == pytest.approx(0.0091)


def test_reservoir_by_the_reference_circuit() -> None:
    """10 mF at 3 A and 50 Hz: 2.12 V peak to peak in the reference circuit."""
    assert a.reservoir_f(3.0, 50.0, 2.12) == pytest.approx(10e-3, rel=0.02)
