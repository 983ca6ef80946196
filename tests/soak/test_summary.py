"""Drift, worst minute, energy, gaps from rows whose answer is known beforehand."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import allantools
import numpy as np
import pytest

from runner.soak.samples import Samples, samples_of
from runner.soak.summary import Drift, drift_of, energy_wh, winding_changes, worst_minute
from tests.soak.made_night import COLUMNS

START = datetime(2026, 1, 1, 18, tzinfo=UTC)


def rows(values: list[list[float | None]], every_s: float = 10.0, from_s: float = 0.0,
         stage: str = "hold") -> list[dict[str, Any]]:  # fmt: skip
    lines: list[dict[str, Any]] = [
        {"kind": "columns", "every_s": every_s, "columns": COLUMNS[:4]},
        {"kind": "stage", "name": stage, "set_v": 24.0, "load_a": 3.0},
    ]
    for number, one in enumerate(values):
        t_s = from_s + number * every_s
        utc = (START + timedelta(seconds=t_s)).isoformat(timespec="milliseconds")
        lines.append({"kind": "s", "t_mono_s": t_s, "t_utc": utc, "v": one})
    return lines


def samples(lines: list[dict[str, Any]]) -> Samples:
    found = samples_of(lines)
    assert found is not None
    return found


def test_a_straight_drift_comes_out_as_its_slope() -> None:
    # 1 mV/h over 4 h, first half hour is warm-up: 3.5 h watched, ends averaged over ten rows each.
    values = [[24.0 + 1e-3 * i * 10 / 3600, 3.0, 100.0, 40.0] for i in range(1440)]
    found = drift_of(samples(rows(values)))
    assert isinstance(found, Drift)
    assert found.watched_s == pytest.approx(3.5 * 3600, abs=20)
    assert found.change_v == pytest.approx(1e-3 * (found.watched_s - 90) / 3600, rel=1e-6)
    assert found.slope is not None
    assert found.slope.slope_per_s * 3600 == pytest.approx(1e-3, rel=1e-6)


def test_allan_deviation_is_that_of_a_reference_library() -> None:
    rng = np.random.default_rng(3)
    noise = 24.0 + 1e-4 * rng.standard_normal(1440)
    found = drift_of(samples(rows([[float(v), 3.0, None, None] for v in noise])))
    assert isinstance(found, Drift)
    watched = noise[180:]
    _, due, _, _ = allantools.oadev(watched, rate=0.1, data_type="freq", taus=[100.0])
    assert found.allan[100.0] == pytest.approx(float(due[0]), rel=1e-9)
    # White noise falls with the square root of the averaging time (NIST SP 1065, table 3).
    assert found.allan[100.0] == pytest.approx(1e-4 / math.sqrt(10), rel=0.15)


def test_the_worst_minute_is_found_and_a_single_row_is_averaged_away() -> None:
    values: list[list[float | None]] = [[24.0, 3.0, None, None] for _ in range(720)]
    values[100] = [24.5, 3.0, None, None]
    for i in range(360, 366):
        values[i] = [24.2, 3.0, None, None]
    worst = worst_minute(samples(rows(values)))
    assert worst is not None
    assert worst.t_s == 3600.0
    assert worst.deviation_v == pytest.approx(0.2)


def test_energy_of_a_constant_night() -> None:
    values: list[list[float | None]] = [[24.0, 3.0, 110.0, 40.0] for _ in range(361)]
    out_wh, in_wh = energy_wh(samples(rows(values)))
    assert out_wh == pytest.approx(72.0)
    assert in_wh == pytest.approx(110.0)


def test_a_gap_is_listed_and_is_no_soak_time_nor_energy() -> None:
    values: list[list[float | None]] = [[24.0, 3.0, 110.0, 40.0] for _ in range(180)]
    lines = rows(values)
    lines += rows(values, from_s=1800.0 + 600.0)[2:]
    found = samples(lines)
    assert found.gaps == ((1790.0, 600.0),)
    assert found.soak_s == pytest.approx(3600.0)
    assert energy_wh(found)[0] == pytest.approx(72.0, rel=0.01)


def test_after_a_resume_the_wall_clock_tells_the_pause() -> None:
    values: list[list[float | None]] = [[24.0, 3.0, 110.0, 40.0] for _ in range(90)]
    lines = rows(values)
    again = rows(values)[1:]
    pause = timedelta(seconds=890 + 7200)
    for line in again:
        if line["kind"] == "s":  # a running clock that began anew
            line["t_utc"] = (START + pause + timedelta(seconds=line["t_mono_s"])).isoformat()
    resume = {"kind": "resume", "t_mono_s": 0.0, "t_utc": (START + pause).isoformat()}
    found = samples([*lines, resume, *again])
    assert found.resumed == 1
    assert found.soak_s == pytest.approx(1800.0)
    assert found.gaps[0][1] == pytest.approx(7190.0)


@pytest.mark.parametrize("lines", [[], rows([])])
def test_nothing_read_is_nothing(lines: list[dict[str, Any]]) -> None:
    assert samples_of(lines) is None


def test_rows_all_invalid_decide_nothing() -> None:
    found = samples(rows([[None] * 4 for _ in range(50)]))
    assert isinstance(drift_of(found), str)
    assert worst_minute(found) is None
    assert energy_wh(found) == (None, None)


def test_a_winding_more_is_a_step_of_the_inlet_power() -> None:
    # 59.6 W on the lower and 118.5 W on the upper winding at 3 A: worked out by hand for a supply
    # with two windings of about 20 V raw each. Heat alone: 8 % in four hours. Load off: no step.
    low_w, high_w = 59.6, 118.5
    heats = [[24.0, 3.0, low_w * (1 + 0.08 * i / 1440), 40.0] for i in range(1440)]
    assert winding_changes(samples(rows(heats))) == ()  # type: ignore[arg-type]
    steps = [[24.0, 3.0, high_w if 500 <= i < 900 else low_w, 40.0] for i in range(1440)]
    assert winding_changes(samples(rows(steps))) == (5000.0, 9000.0)  # type: ignore[arg-type]
    off = [[24.0, *((0.0, 9.0) if 500 <= i < 510 else (3.0, low_w)), 40.0] for i in range(1440)]
    assert winding_changes(samples(rows(off))) == ()  # type: ignore[arg-type]


def test_windings_cannot_be_seen_without_the_inlet_or_a_constant_load() -> None:
    blind = [[24.0, 3.0, None, 40.0] for _ in range(1440)]
    assert winding_changes(samples(rows(blind))) is None  # type: ignore[arg-type]
    cycled = [[24.0, 3.0, 100.0, 40.0] for _ in range(1440)]
    assert winding_changes(samples(rows(cycled, stage="thermal-cycles"))) is None  # type: ignore[arg-type]


def _ten_a_second(paused_s: float) -> list[dict[str, Any]]:
    """A minute of rows ten times a second, a pause, another minute."""
    first = rows([[24.0, 3.0, None, None]] * 600, every_s=0.1)
    after = rows([[24.0, 3.0, None, None]] * 600, every_s=0.1, from_s=60.0 + paused_s)
    return first + after[2:]


def test_a_bench_that_stood_still_for_four_seconds_is_a_gap_and_no_soak_time() -> None:
    found = samples(_ten_a_second(4.0))
    assert found.gaps == (pytest.approx((59.9, 4.0)),)
    assert found.soak_s == pytest.approx(120.0)
    assert samples(_ten_a_second(1.0)).gaps == ()


def test_gaps_are_counted_from_the_first_row_whatever_the_clock_says() -> None:
    later = rows([[24.0, 3.0, None, None]] * 10, from_s=32000.0)
    later += rows([[24.0, 3.0, None, None]] * 10, from_s=33000.0)[2:]
    assert samples(later).gaps == ((90.0, 900.0),)


def test_setting_the_next_stage_is_no_gap() -> None:
    lines = _ten_a_second(4.0)
    mark = {"kind": "stage", "name": "worst-heat", "set_v": 13.2, "load_a": 3.0}
    lines.insert(602, mark)
    assert samples(lines).gaps == ()
    begun = (START + timedelta(seconds=64)).isoformat()
    lines.insert(602, {"kind": "resume", "t_mono_s": 64.0, "t_utc": begun})
    assert len(samples(lines).gaps) == 1


def _taken_up(paused_s: float, cool_v: float) -> list[dict[str, Any]]:
    """Four hours with 1 mV/h, cut after two; after the pause it warms up again in 20 minutes."""
    before = [[24.0 + 1e-3 * i / 360, 3.0, None, None] for i in range(720)]
    after = [
        [24.0 + 1e-3 * i / 360 - cool_v * max(0.0, 1 - (i - 720) / 120), 3.0, None, None]
        for i in range(720, 1440)
    ]
    begun_s = 7200.0 + paused_s
    resume = {
        "kind": "resume", "t_mono_s": begun_s,
        "t_utc": (START + timedelta(seconds=begun_s)).isoformat(),
    }  # fmt: skip
    return [*rows(before), resume, *rows(after, from_s=begun_s)[1:]]


def test_drift_over_a_pause_is_that_of_the_uninterrupted_twin() -> None:
    twin = drift_of(samples(rows([[24.0 + 1e-3 * i / 360, 3.0, None, None] for i in range(1440)])))
    assert isinstance(twin, Drift)
    for paused_s, cool_v in ((60.0, 0.0), (36000.0, 0.05)):
        found = drift_of(samples(_taken_up(paused_s, cool_v)))
        assert isinstance(found, Drift)
        assert found.change_v == pytest.approx(twin.change_v, rel=1e-6)
        assert found.watched_s == pytest.approx(twin.watched_s, abs=20.0)
        assert found.slope is not None
        assert twin.slope is not None
        assert found.slope.slope_per_s == pytest.approx(twin.slope.slope_per_s, rel=0.02)


def test_rows_left_out_are_counted_and_named_where_drift_wants_them() -> None:
    # Every third row of a holding stage of 90 is missing: 30 of them, no pause long enough for a
    # gap. Of the 60 left the first quarter of the time is warm-up: 45, and one at its edge.
    whole = rows([[24.0, 3.0, None, None]] * 90)
    thinned = [line for line in whole if line["kind"] != "s" or line["t_mono_s"] % 30 != 10]
    found = samples(thinned)
    assert (samples(whole).left_out(), found.left_out(), found.left_out("hold")) == (0, 30, 30)
    assert found.gaps == ()
    assert found.soak_s == pytest.approx(900.0)
    short = [line for line in thinned if line.get("t_mono_s", 0.0) < 300.0]
    assert drift_of(samples(short)) == (
        "only 15 valid readings after warm-up; 10 rows were left out, bench or computer being busy"
    )


def test_setting_a_stage_is_no_soak_time() -> None:
    lines = rows([[24.0, 3.0, None, None]] * 60)
    lines += rows([[24.0, 3.0, None, None]] * 60, from_s=4200.0, stage="worst-heat")[1:]
    assert samples(lines).soak_s == pytest.approx(1200.0)
