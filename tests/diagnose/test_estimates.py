"""Estimates of parts against circuits solved by ngspice, whose parts are written in the netlist."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from runner.diagnose.capacitors import Farads, load_limit
from runner.diagnose.estimate import about, estimate_text, not_from_these
from runner.diagnose.estimates import hysteresis_estimates
from runner.diagnose.falls import fall_after_off, flank_in_dropout
from runner.diagnose.load_edge import esr_estimate, fit_edge
from runner.diagnose.valley import BESIDE, BESIDE_U
from runner.finding import Decision, Finding
from runner.metrology.dispersion import Dispersion
from runner.reading import Reading
from runner.record.reader import CheckData
from tests.diagnose.netlists import columns, needs_ngspice

NETLISTS = Path(__file__).parents[1] / "references" / "ngspice"


@needs_ngspice
@pytest.mark.parametrize("name", ["D2", "D3", "D4"])
def test_flanks_give_the_reservoir(tmp_path: Path, name: str) -> None:
    """Dropout for part of the time, once a period, always: 6.8 mF, 2.02 A (ngspice)."""
    wave = columns(tmp_path, (NETLISTS / f"{name}.cir").read_text(encoding="utf-8"), "v(out)")
    late = wave[wave[:, 0] > 0.9]
    flank = flank_in_dropout(late[::4, 1], float(late[4, 0] - late[0, 0]), 50.0)
    assert flank is not None
    assert 2.02 / flank.v_per_s == pytest.approx(6.8e-3, rel=2e-3)


@needs_ngspice
def test_the_fall_after_mains_off_gives_the_reservoir(tmp_path: Path) -> None:
    """The reference regulator at nominal line, its mains cut at 0.5 s: 6.8 mF, 2.02 A (ngspice)."""
    circuit = (NETLISTS / "D1.cir").read_text(encoding="utf-8")
    line = next(one for one in circuit.splitlines() if one.startswith("VS "))
    cut = circuit.replace(line, "BS e1 s2 V={vpk}*sin(6.283185307*{fmains}*time)*u(0.5-time)")
    wave = columns(tmp_path, cut, "v(out)")
    part = wave[(wave[:, 0] > 0.4) & (wave[:, 0] < 0.53)][::10]
    shown = np.maximum(part[:, 1], 25.7)  # as a screen of ±2.3 V shows it
    fall = fall_after_off(shown, float(part[1, 0] - part[0, 0]))
    assert fall is not None
    assert 2.02 / fall.v_per_s == pytest.approx(6.8e-3, rel=2e-3)


@needs_ngspice
def test_what_lacks_is_more_than_is_read_by_the_output_capacitors_part(tmp_path: Path) -> None:
    """The reference regulator's valley with 1 mF left, without and with 220 uF behind it."""
    circuit = (NETLISTS / "D2.cir").read_text(encoding="utf-8")
    ideal = "BREG out 0 V = min(25.5, v(rawc)-2.0)"
    joined = (
        "BREG rawc out I = max(0, 20*(min(25.5, v(rawc)-2.0)-v(out)))\nCOUT out 0 {farad} IC=25"
    )
    lowest = []
    for farad in ("0.1u", "220u"):
        changed = circuit.replace(ideal, joined.format(farad=farad)).replace("6800u", "1000u")
        changed = changed.replace("ILOAD rawc 0", "ILOAD out 0").replace(
            ".tran 5e-06 1.0 0 5e-06", ".tran 1e-05 0.3 0 1e-05"
        )
        wave = columns(tmp_path, changed, "v(out)")
        lowest.append(25.5 - float(wave[wave[:, 0] > 0.2, 1].min()))
    alone_v, beside_v = lowest
    added = (alone_v / beside_v - 1.0) / 0.22
    assert added == pytest.approx(0.8, abs=0.05)
    assert BESIDE - 3**0.5 * BESIDE_U <= added <= BESIDE + 3**0.5 * BESIDE_U


def test_hum_at_the_comparator_hides_part_of_the_hysteresis() -> None:
    rows = [
        Reading(quantity, value, "V", "scope", "", at={"point": point, "share": 1.0})
        for point, scale in (("low", 1.0), ("maximum", 3.0))
        for quantity, value in (("ripple-f", 1e-3 * scale), ("ripple-2f", 9e-3 * scale))
    ]
    record = SimpleNamespace(check=lambda _: CheckData("ripple", rows, [], [], [], {}))
    seen = Finding("tap-map", "hysteresis of tap point 1", "at 50% of full load", 0.59, "V",
                   Decision.PASS, u_expanded=0.004)  # fmt: skip
    (one,) = hysteresis_estimates(record, [seen])  # type: ignore[arg-type]
    assert one.value == pytest.approx(0.60)
    assert one.low is not None
    assert one.high is not None
    # By hand: 20 mV from peak to peak may hide all or nothing.
    assert one.low <= 0.59
    assert one.high >= 0.61


def test_a_regulated_output_shows_no_flank() -> None:
    t_s = np.arange(10_000) * 1e-5
    assert flank_in_dropout(1e-3 * np.sin(2 * np.pi * 100 * t_s), 1e-5, 50.0) is None


def test_an_oscillation_is_no_flank() -> None:
    t_s = np.arange(10_000) * 1e-5
    assert flank_in_dropout(0.2 * np.sin(2 * np.pi * 7e3 * t_s), 1e-5, 50.0) is None


@pytest.mark.parametrize(
    ("accuracy", "limit"),
    [
        # By hand: 0.05 % of 3 A and 0.05 % of 30 A are 16.5 mA, 0.55 % of 3 A.
        ({"dc-amps": {"function": "dc-amps", "unit": "A", "ranges": [
            {"range": 3.0, "pct_reading": 0.05, "pct_range": 0.05},
            {"range": 30.0, "pct_reading": 0.05, "pct_range": 0.05}]}}, 0.0055),
        (None, 0.01),
        ({"dc-amps": {"function": "dc-amps", "unit": "A", "ranges": []}}, 0.01),
    ],
)  # fmt: skip
def test_a_load_is_as_sure_as_its_sheet_says(accuracy: dict[str, Any] | None, limit: float) -> None:
    identities = {"load": {"role": "load", "accuracy": accuracy}}
    data = CheckData("switching", [], [], [], [], identities)
    record = SimpleNamespace(check=lambda _: data)
    assert load_limit(record, 3.0) == pytest.approx(limit)  # type: ignore[arg-type]


def test_a_record_without_a_fall_has_none() -> None:
    assert fall_after_off(np.full(1000, 12.0), 1e-3) is None
    assert fall_after_off(np.linspace(0.0, 5.0, 1000), 1e-3) is None


def load_step(farad: float, esr_ohm: float, henry: float, ohm: float) -> str:
    """R-L loop beside C and ESR; 1.5 A more within 6 us, at 40 us."""
    return (
        "edge\nI1 out 0 PWL(0 1.5 40u 1.5 46u 3 400u 3)\nV1 a 0 0\n"
        f"RL a b {ohm}\nL1 b out {henry}\nC1 out c {farad}\nRE c 0 {esr_ohm}\n"
        ".tran 0.2u 190u 0 0.1u\n"
    )


@needs_ngspice
@pytest.mark.parametrize(
    ("farad", "esr_ohm", "henry", "ohm"),
    [(220e-6, 0.015, 0.3e-6, 0.03), (220e-6, 0.06, 0.3e-6, 0.01), (150e-6, 0.016, 0.3e-6, 0.04)],
)
def test_the_load_edge_gives_the_esr(
    tmp_path: Path, farad: float, esr_ohm: float, henry: float, ohm: float
) -> None:
    """R-L loop beside C and ESR, 1.5 A in 6 us (ngspice)."""
    wave = columns(tmp_path, load_step(farad, esr_ohm, henry, ohm), "v(out)")
    edge = fit_edge(wave[:, 0] - 40e-6, wave[:, 1], 1.5, 6e-6, farad)
    assert edge is not None
    assert edge.esr_ohm == pytest.approx(esr_ohm, rel=1e-2)


@needs_ngspice
@pytest.mark.parametrize("off", [0.98, 1.0, 1.02])
@pytest.mark.parametrize(
    ("farad", "esr_ohm", "henry", "ohm"),
    [(220e-6, 0.015, 0.3e-6, 0.03), (220e-6, 0.06, 0.3e-6, 0.01), (150e-6, 0.016, 0.3e-6, 0.04)],
)
def test_the_esr_lies_in_its_interval_when_c_is_off(
    tmp_path: Path, farad: float, esr_ohm: float, henry: float, ohm: float, off: float
) -> None:
    """The circuit above; C is known within 2 % (ngspice)."""
    wave = columns(tmp_path, load_step(farad, esr_ohm, henry, ohm), "v(out)")
    t_s = np.arange(wave[1, 0], wave[-2, 0], 0.2e-6)
    line = SimpleNamespace(
        fields={"dt_s": 0.2e-6, "t0_s": float(t_s[0]) - 40e-6},
        at={"from_a": 1.5, "to_a": 3.0, "edge": "load on"},
        volts=lambda: np.interp(t_s, wave[:, 0], wave[:, 1]),
    )
    record = SimpleNamespace(check=lambda _: SimpleNamespace(waveforms=[line] * 3))
    left = Farads(off * farad, Dispersion(0.02 * farad), "a fall")
    found = esr_estimate(record, left)  # type: ignore[arg-type]
    assert found is not None
    assert found.low is not None, found.reason
    assert found.high is not None
    assert found.low <= esr_ohm <= found.high
    assert found.high < 1.5 * esr_ohm  # tells a whole part from a dried one


def test_what_cannot_be_said_says_so() -> None:
    text = estimate_text(not_from_these("x", "resistance of the winding", "Ω", "measure it"))
    assert text == "resistance of the winding: measure it"
    told = estimate_text(about("x", "C", 1e-3, Dispersion(1e-5), "F", ""))
    assert told.startswith("C: 1 mF (980 ")


def test_ohms_in_a_sense_lead_are_not_told_as_an_esr() -> None:
    """Seen from the posts both are ohms within the loop's bandwidth (circuit theory)."""
    lines = [SimpleNamespace(fields={})]
    record = SimpleNamespace(check=lambda _: SimpleNamespace(waveforms=lines))
    left = Farads(220e-6, Dispersion(3e-6), "a fall")
    found = esr_estimate(record, left, sense_open=True)  # type: ignore[arg-type]
    assert found is not None
    assert found.value is None
    assert "sense lead" in found.reason


def test_an_interval_ruled_by_a_limit_is_that_of_its_rectangle() -> None:
    """95 % of a rectangle lie within 0.95 of its half width (EA-4/02 M, S9)."""
    one = about("x", "C", 1e-3, Dispersion(0.0, half_width=1e-5), "F", "")
    assert one.low == pytest.approx(1e-3 - 0.95e-5)
    assert one.high == pytest.approx(1e-3 + 0.95e-5)
