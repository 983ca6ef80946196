"""A unit with a knob, turned by hands of different temper."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.errors import UnitRefusesError
from runner.finding import Decision
from tests.checks.simulated import Simulated

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
                assert finding.value == pytest.approx(true_v, abs=finding.u_expanded + 2e-3)
    assert Decision.FAIL not in {f.decision for f in result.findings}


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


@pytest.mark.parametrize("full", [0, 1])
def test_a_knob_without_effect_is_told_and_not_measured_past(tmp_path: Path, full: int) -> None:
    """Practice 4: an open wiper gives full voltage or none, whatever the knob does."""
    with (
        Simulated(tmp_path, profile="kn-1502", faults=[f"pot-open:full={full}"]) as bench,
        pytest.raises(UnitRefusesError, match="3 times") as caught,
    ):
        bench.run("setting", quick=True)
    assert caught.value.wanted == "output follows the knob"
