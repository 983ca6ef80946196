"""What the checks find against what the plant knows of itself: each inside its own interval."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from runner.finding import Decision
from tests.checks.simulated import Simulated

SEEDS = (1, 2, 3)


@pytest.mark.parametrize("seed", SEEDS)
def test_tap_points_lie_where_the_plant_has_them(tmp_path: Path, seed: int) -> None:
    with Simulated(tmp_path, seed=seed) as bench:
        result = bench.run("tap-map")
        up_v, down_v = bench.truth.tap_up_v[0], bench.truth.tap_down_v[0]
    for share in ("3%", "50%", "100%"):
        rising = result.finding("tap point 1, rising", f"at {share} of")
        falling = result.finding("tap point 1, falling", f"at {share} of")
        width = result.finding("hysteresis of tap point 1", f"at {share} of")
        for finding, true in ((rising, up_v), (falling, down_v), (width, up_v - down_v)):
            assert finding.value == pytest.approx(true, abs=10e-3 + 1e-3 * true)
            assert finding.decision is Decision.PASS


@pytest.mark.parametrize("seed", range(1, 7))
def test_load_effect_is_the_plants_own_step(tmp_path: Path, seed: int) -> None:
    with Simulated(tmp_path, seed=seed) as bench:
        result = bench.run("load-effect", quick=True)
        bench.instruments.supply.set_voltage(24.0)
        bench.clock.sleep(3.0)
        without_v = _plant_mean_v(bench)
        bench.instruments.load.set_current(3.0)
        bench.instruments.load.input(True)
        bench.clock.sleep(1.0)
        true_v = without_v - _plant_mean_v(bench)
        bench.instruments.load.input(False)
    finding = result.finding("load effect", "at 24 V")
    assert finding.value is not None and finding.u_expanded is not None
    assert finding.value == pytest.approx(true_v, abs=finding.u_expanded)
    resistance = result.finding("output resistance", "at 24 V")
    assert resistance.value == pytest.approx(true_v / 3.0, rel=0.05)
    assert {f.decision for f in result.findings} == {Decision.PASS}


def _plant_mean_v(bench: Simulated) -> float:
    now_s = bench.clock.mono_s()
    mean_v: float = bench.plant.mean_v("plus", "minus", now_s - 0.4, now_s)
    return mean_v


@pytest.mark.parametrize("seed", SEEDS)
def test_gain_is_that_of_the_line_through_the_plants_own_voltages(
    tmp_path: Path, seed: int
) -> None:
    with Simulated(tmp_path, seed=seed) as bench:
        result = bench.run("setting", quick=True)
        points_v = [float(one.at["set_v"]) for one in result.data.of("output-voltage")]
        true_v = {}
        bench.instruments.supply.output(True)
        for set_v in dict.fromkeys(points_v):
            bench.instruments.supply.set_voltage(set_v)
            bench.clock.sleep(5.0)
            true_v[set_v] = _plant_mean_v(bench)
        design_pct = 100 * (bench.truth.setting_gain - 1)
    slope, _ = np.polyfit(points_v, [true_v[v] for v in points_v], 1)
    gain = result.finding("gain error")
    assert gain.value is not None and gain.u_expanded is not None
    assert gain.value == pytest.approx(100 * (slope - 1), abs=gain.u_expanded)
    assert gain.value == pytest.approx(design_pct, abs=gain.u_expanded + 0.02)  # the unit's bend


def test_ripple_at_full_load(tmp_path: Path) -> None:
    with Simulated(tmp_path) as bench:
        result = bench.run("ripple", quick=True)
        bench.instruments.load.set_current(3.0)
        bench.instruments.load.input(True)
        bench.clock.sleep(1.0)
        true = bench.truth.ripple(3.0, 24.0)
        noise_v = bench.truth.parts.regulator.noise_v
        bench.instruments.load.input(False)
    finding = result.finding("ripple and noise, rms", "maximum")
    assert true is not None and finding.value is not None and finding.u_expanded is not None
    expected_v = float((true.rms_v**2 + noise_v**2) ** 0.5)
    assert finding.value == pytest.approx(expected_v, abs=finding.u_expanded + 0.1 * expected_v)
