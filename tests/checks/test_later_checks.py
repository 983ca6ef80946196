"""The checks beyond the first acceptance, on a healthy simulated unit, against its own truth."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from runner.finding import Decision
from tests.checks.simulated import Simulated


@pytest.fixture
def bench(tmp_path: Path):  # type: ignore[no-untyped-def]
    with Simulated(tmp_path) as opened:
        yield opened


def _all_pass(result) -> None:  # type: ignore[no-untyped-def]
    assert result.findings
    assert {f.decision for f in result.findings} == {Decision.PASS}, [
        (f.what, f.at, f.value, f.reason) for f in result.findings
    ]


def test_current_limit(bench: Simulated) -> None:
    result = bench.run("current-limit")
    _all_pass(result)
    bench.instruments.supply.set_current_limit(1.5)
    finding = result.finding("error of the limited current", "1.5 A")
    assert finding.value is not None and finding.u_expanded is not None
    half_v = bench.writer.check_data("current-limit").of(
        "output-voltage", set_a=1.5, into="half voltage"
    )[0].value  # fmt: skip
    part = bench.truth.parts.regulator  # the bleeder takes its share of the limited current
    true_a = bench.truth.limit_a - half_v / part.limit_ohm - half_v / part.bleed_ohm
    assert 1.5 + finding.value == pytest.approx(true_a, abs=finding.u_expanded)


def test_output_impedance(bench: Simulated) -> None:
    result = bench.run("impedance")
    _all_pass(result)
    for finding in result.findings:
        f_hz = float(finding.at.split()[1])
        assert finding.value is not None and finding.u_expanded is not None
        true_ohm = _with_lead(bench.truth.impedance_ohm(f_hz), bench.truth.output_ohm, f_hz)
        assert finding.value == pytest.approx(true_ohm, abs=finding.u_expanded + 0.03 * true_ohm)


def test_an_impedance_under_a_current_limit_that_acts_is_not_measured(tmp_path: Path) -> None:
    with Simulated(tmp_path, faults=("limit-low",)) as bench:
        result = bench.run("impedance")
    assert {f.decision for f in result.findings} == {Decision.NOT_MEASURED}
    assert all("does not hold its voltage" in f.reason for f in result.findings)


def _with_lead(unit_ohm: float, real_ohm: float, f_hz: float) -> float:
    """Impedance with the 50 nH of the simulated load's leads (arithmetic)."""
    reactance = math.sqrt(max(unit_ohm**2 - real_ohm**2, 0.0)) + 2 * math.pi * f_hz * 50e-9
    return math.hypot(real_ohm, reactance)


def test_transient_recovery(bench: Simulated) -> None:
    _all_pass(bench.run("transient"))


def test_switching(bench: Simulated) -> None:
    _all_pass(bench.run("switching", quick=True))


def test_source_effect_and_headroom(bench: Simulated) -> None:
    effect = bench.run("source-effect")
    _all_pass(effect)
    headroom = bench.run("headroom")
    _all_pass(headroom)
    margins = headroom.all("line voltage margin")
    assert len(margins) == 2 and all(f.value is not None and f.value > 10 for f in margins)
    line = bench.instruments.mains_meter.read_mains()["line-voltage"]
    assert line.value == pytest.approx(230.0, abs=2.0)


def test_drift(bench: Simulated) -> None:
    result = bench.run("drift")
    _all_pass(result)
    assert len(result.data.of("output-voltage", phase="watch")) >= 6
