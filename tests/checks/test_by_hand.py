"""A unit with a knob, turned by hands of different temper."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.checks.check import Conditions
from runner.checks.order import BY_NAME as CHECKS
from runner.errors import UnitRefusesError
from runner.finding import Decision, Finding
from runner.profile import find_profile, load_profile
from tests.checks.simulated import Result, Simulated

TEMPERS = ("steady", "quick", "shaky", "hesitant", "heavy-handed")


@pytest.mark.parametrize("temper", TEMPERS)
def test_tap_points_by_hand_are_inside_their_uncertainty(tmp_path: Path, temper: str) -> None:
    with Simulated(tmp_path, profile="kn-1502", options={"temper": temper}) as bench:
        result = bench.run("tap-map")
        up_v, down_v = bench.truth.tap_up_v[0], bench.truth.tap_down_v[0]
    for direction, true_v in (("rising", up_v), ("falling", down_v)):
        for finding in result.all(f"tap point 1, {direction}"):
            if finding.unit != "V" or finding.u_expanded is None or finding.limit_low is None:
                continue
            if finding.what.startswith("tap point"):
                assert finding.value == pytest.approx(true_v, abs=finding.u_expanded)
    assert Decision.FAIL not in {f.decision for f in result.findings}


@pytest.fixture(scope="module")
def remote(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], float]:
    """Expanded uncertainty of each point when the same unit is set remotely, V."""
    by_hand = load_profile(find_profile("kn-1502"))
    unit = by_hand.unit.model_copy(update={"setting": "remote", "setting_step": 1e-3})
    profile = by_hand.model_copy(update={"unit": unit})
    with Simulated(tmp_path_factory.mktemp("remote"), profile=profile) as bench:
        result = bench.run("tap-map")
    return {(f.what, f.at): f.u_expanded or 0.0 for f in _points(result)}


def _points(result: Result) -> list[Finding]:
    return [f for f in result.findings if f.what.startswith("tap point 1, ")]


@pytest.mark.parametrize("temper", TEMPERS)
def test_a_hand_is_at_most_three_times_as_uncertain(
    tmp_path: Path, temper: str, remote: dict[tuple[str, str], float]
) -> None:
    with Simulated(tmp_path, profile="kn-1502", options={"temper": temper}) as bench:
        found = _points(bench.run("tap-map"))
    ratios = {(f.what, f.at): (f.u_expanded or 0.0) / remote[f.what, f.at] for f in found}
    assert len(ratios) == 6
    assert max(ratios.values()) <= 3.0, ratios


def test_the_abscissa_is_where_the_hand_came_to_rest(tmp_path: Path) -> None:
    with Simulated(tmp_path, profile="kn-1502", options={"temper": "heavy-handed"}) as bench:
        result = bench.run("setting", quick=True)
    for reading in result.data.of("output-voltage"):
        assert reading.value == pytest.approx(float(reading.at["set_v"]), abs=6e-3)
    assert not result.all("error of the output voltage")
    assert result.all("panel voltmeter error")


@pytest.mark.parametrize("temper", TEMPERS)
def test_a_good_knob_is_smooth_in_every_hand(tmp_path: Path, temper: str) -> None:
    with Simulated(tmp_path, profile="kn-1502", options={"temper": temper}) as bench:
        result = bench.run("setting", quick=True)
    finding = result.finding("falls of the voltage")
    assert finding.decision is Decision.PASS and finding.value == 0.0


def test_a_dirty_track_is_found(tmp_path: Path) -> None:
    # Practice: jumps while turned, voltage against angle not monotonic: dirty or worn track.
    with Simulated(tmp_path, profile="kn-1502", faults=["pot-noisy"]) as bench:
        result = bench.run("setting", quick=True)
    assert result.finding("falls of the voltage").decision is Decision.FAIL


def test_a_knob_that_does_not_rest_ends_the_map_in_minutes(tmp_path: Path) -> None:
    """Without a bound such a track took four hours of bench time."""
    with Simulated(tmp_path, profile="kn-1502", faults=["pot-noisy"]) as bench:
        begun_s = bench.clock.mono_s()
        result = bench.run("tap-map")
        bench_s = bench.clock.mono_s() - begun_s
    plan = CHECKS["tap-map"].plan(Conditions(bench.profile, bench.bench))
    assert bench_s < 2 * plan.duration_s
    for finding in _points(result):
        assert finding.decision is Decision.NOT_MEASURED
        assert "replace the potentiometer" in finding.reason
    assert len(result.data.events_of("passes-given-up")) == 1  # not at each load anew


@pytest.mark.parametrize("full", [0, 1])
def test_a_knob_without_effect_is_told_and_not_measured_past(tmp_path: Path, full: int) -> None:
    """Practice 4: an open wiper gives full voltage or none, whatever the knob does."""
    with (
        Simulated(tmp_path, profile="kn-1502", faults=[f"pot-open:full={full}"]) as bench,
        pytest.raises(UnitRefusesError, match="3 times") as caught,
    ):
        bench.run("setting", quick=True)
    assert caught.value.wanted == "output follows the knob"
