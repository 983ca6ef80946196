"""What a soak does when things happen: rules, lost instruments, clocks, disks, wishes."""

from __future__ import annotations

import errno
import io
import itertools
import json
import os
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from runner.assess import assess
from runner.clock import SystemClock, VirtualClock
from runner.errors import BenchError
from runner.operator.requests import Answer, Request, TurnKnob
from runner.record.journal import DiskFiles
from runner.record.reader import Record, open_record
from runner.soak.clocks import Clocks
from runner.soak.samples import samples_of
from runner.soak.watch import Alone
from tests.soak.light_bench import Agreeing, LightBench, light_plan, soak_on


def _after(reads: int, act: Callable[[LightBench], None]) -> Callable[[LightBench], None]:
    """Do something at one reading."""
    return lambda bench: act(bench) if bench.read_count == reads else None


def _events(record: Record, what: str) -> list[dict[str, Any]]:
    return [line for line in record.of_kind("event") if line["what"] == what]


def test_a_quiet_night_keeps_every_row_and_ends_with_the_load_off(tmp_path: Path) -> None:
    bench = LightBench()
    ending = soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0))
    assert (ending.how, ending.load_off_confirmed) == ("complete", True)
    assert bench.load_on is False
    record = open_record(tmp_path / "r")
    assert record.problems == []
    samples = samples_of(record.check("soak").rows)
    assert samples is not None
    assert samples.t_s.size == pytest.approx(720, abs=3)
    assert samples.gaps == ()
    # Every row is also in a minute: the counts of the minutes add up to the rows.
    counted = sum(line["n"][0] for line in record.of_kind("minute"))
    assert counted == pytest.approx(samples.t_s.size, abs=6)
    decisions = {f.what: str(f.decision) for f in assess(record).findings}
    assert decisions["share of the soak done"] == "pass"


def test_thermal_cycles_switch_the_load_as_planned(tmp_path: Path) -> None:
    bench = LightBench()
    soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0, ("thermal-cycles",)))
    # 7200 s in cycles of 12 min: ten times on, ten times off.
    assert bench.switched.count(True) == 10


def test_tap_cycles_swing_as_often_as_planned(tmp_path: Path) -> None:
    bench, seen = LightBench(), []
    bench.before_row = lambda b: seen.append(b.set_v)
    soak_on(bench, tmp_path / "r", light_plan(600.0, 1.0, ("tap-cycles",)))
    changes = sum(a != b for a, b in itertools.pairwise(seen))
    assert changes == pytest.approx(2 * 60, abs=2)


@pytest.mark.parametrize(
    ("act", "rule", "how"),
    [
        (lambda b: setattr(b, "error_v", 2.0), "over-voltage", "complete"),
        (lambda b: setattr(b, "error_v", -5.0), "under-voltage", "complete"),
        (lambda b: setattr(b, "heat_c", 95.0), "hot", "complete"),
        (lambda b: setattr(b, "tripped", "over-temperature"), "load-tripped", "trouble"),
        (lambda b: setattr(b, "line_factor", 0.8), "line", "trouble"),
        (lambda b: b.silent.add("meter"), "lost", "trouble"),
        (lambda b: b.silent.add("load"), "lost", "trouble"),
    ],
)
def test_each_rule_ends_the_soak_and_is_told(
    tmp_path: Path, act: Callable[[LightBench], None], rule: str, how: str
) -> None:
    bench = LightBench()
    bench.before_row = _after(100, act)
    ending = soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0, ("hold",)))
    record = open_record(tmp_path / "r")
    assert [e["rule"] for e in _events(record, "abort")] == [rule]
    assert ending.how == how
    lost_load = "load" in bench.silent
    assert ending.load_off_confirmed is (not lost_load)
    assert bench.load_on is lost_load
    assert bench.output_on is lost_load, "the unit's output goes off too where it can"
    if how == "complete":
        decisions = {f.what: str(f.decision) for f in assess(record).findings}
        assert decisions["times a rule stopped the soak"] == "fail"
        assert decisions["share of the soak done"] == "fail"


def test_a_silent_thermometer_costs_its_values_only(tmp_path: Path) -> None:
    bench = LightBench()

    def act(b: LightBench) -> None:
        if b.read_count == 100:
            b.silent.add("thermometer")
        if b.read_count == 200:
            b.silent.clear()

    bench.before_row = act
    assert soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0, ("hold",))).how == "complete"
    record = open_record(tmp_path / "r")
    assert len(_events(record, "silent")) == 1
    assert len(_events(record, "heard-again")) == 1
    samples = samples_of(record.check("soak").rows)
    assert samples is not None
    missing = int((samples.column("heatsink-temperature") != 40.0).sum())
    assert missing == pytest.approx(100, abs=2)
    reasons = [line["why"] for line in record.of_kind("s") if "why" in line]
    assert reasons[0]["4"] == "thermometer: no complete answer in time"


def test_a_meter_away_for_half_a_minute_stops_nothing(tmp_path: Path) -> None:
    bench = LightBench()

    def act(b: LightBench) -> None:
        if b.read_count == 100:
            b.silent.add("meter")
        if b.read_count == 103:
            b.silent.clear()

    bench.before_row = act
    assert soak_on(bench, tmp_path / "r", light_plan(3600.0, 10.0, ("hold",))).how == "complete"


def test_a_load_that_went_off_is_put_on_again_once_and_never_twice(tmp_path: Path) -> None:
    bench = LightBench()

    def act(b: LightBench) -> None:
        if b.read_count in {100, 200}:
            b.load_on = False

    bench.before_row = act
    ending = soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0, ("hold",)))
    record = open_record(tmp_path / "r")
    assert len(_events(record, "load-on-again")) == 1
    assert len(_events(record, "load-off-unasked")) == 2
    assert ending.how == "trouble"
    assert bench.load_on is False


def test_a_load_that_went_off_while_the_output_is_wrong_stays_off(tmp_path: Path) -> None:
    bench = LightBench()

    def act(b: LightBench) -> None:
        if b.read_count == 100:
            b.load_on, b.error_v = False, 1.9

    bench.before_row = act
    soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0, ("hold",)))
    assert _events(open_record(tmp_path / "r"), "load-on-again") == []
    assert bench.load_on is False


class _Sleeper(VirtualClock):
    """A clock that somebody sets and a computer that sleeps; ``seeing``: the system can tell."""

    def __init__(self, *, seeing: bool = True) -> None:
        super().__init__(datetime(2026, 1, 1, tzinfo=UTC))
        self.asleep_s, self.set_s, self.seeing = 0.0, 0.0, seeing

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.asleep_s + self.set_s)

    def boot_s(self) -> float | None:
        return self.mono_s() + self.asleep_s if self.seeing else None


EITHER = "the computer slept, or its clock was set forward: this system cannot tell which"
SLEPT = "the computer slept, the dead-man with it: nobody watched the bench"


@pytest.mark.parametrize(
    ("asleep_s", "set_s", "seeing", "said"),
    [
        (0.0, 7200.0, True, {"the clock was set forward": 7200.0}),
        (0.0, -3600.0, True, {"the clock was set back": -3600.0}),
        (5400.0, 0.0, True, {SLEPT: 5400.0}),
        (5400.0, 7200.0, True, {SLEPT: 5400.0, "the clock was set forward": 7200.0}),
        (5400.0, -5400.0, True, {SLEPT: 5400.0, "the clock was set back": -5400.0}),
        (5400.0, 0.0, False, {EITHER: 5400.0}),
        (0.0, 7200.0, False, {EITHER: 7200.0}),
        (0.0, -3600.0, False, {"the clock was set back": -3600.0}),
        (1.0, 0.5, True, {}),
    ],
)
def test_a_computer_that_slept_and_a_clock_that_was_set_are_told_apart(
    tmp_path: Path, asleep_s: float, set_s: float, seeing: bool, said: dict[str, float]
) -> None:
    clock = _Sleeper(seeing=seeing)

    def act(_bench: LightBench) -> None:
        clock.asleep_s, clock.set_s = asleep_s, set_s

    bench = LightBench(clock=clock, before_row=_after(100, act))
    assert soak_on(bench, tmp_path / "r", light_plan(3600.0, 10.0, ("hold",))).how == "complete"
    record = open_record(tmp_path / "r")
    assert record.problems == []
    events = _events(record, "slept") + _events(record, "clock-step")
    assert {e["why"]: e["seconds"] for e in events} == pytest.approx(said, abs=0.1)
    samples = samples_of(record.check("soak").rows)
    assert samples is not None
    assert samples.soak_s == pytest.approx(3600.0, abs=20.0)
    assert [length for _, length in samples.gaps] == pytest.approx(
        [asleep_s] if SLEPT in said else [], abs=1.0
    )
    decisions = {f.what: str(f.decision) for f in assess(record).findings}
    assert decisions["share of the soak done"] == "pass"


def test_this_computers_own_clocks_run_alike_while_it_is_awake() -> None:
    clocks, clock = Clocks(), SystemClock()
    assert [clocks.jumps(clock) for _ in range(3)] == [[], [], []]
    assert (clock.boot_s() is not None) is (sys.platform == "linux")


@pytest.mark.parametrize(("away_s", "made_up_s"), [(200.0, 200.0), (500.0, 360.0)])
def test_a_held_up_runner_leaves_a_gap_that_is_no_soak_time_and_is_made_up_within_reason(
    tmp_path: Path, away_s: float, made_up_s: float
) -> None:
    bench = LightBench()
    bench.before_row = _after(100, lambda b: b.clock.sleep(away_s))
    soak_on(bench, tmp_path / "r", light_plan(3600.0, 10.0, ("hold",)))
    record = open_record(tmp_path / "r")
    samples = samples_of(record.check("soak").rows)
    assert samples is not None
    assert [length for _, length in samples.gaps] == pytest.approx([away_s], abs=15.0)
    # A tenth of an hour is made up at most.
    assert samples.soak_s == pytest.approx(3600.0 - away_s + made_up_s, abs=25.0)


def test_a_wish_for_a_safe_end_is_heard_between_two_rows(tmp_path: Path) -> None:
    class Wishing(Alone):
        rows = 0

        def end_wanted(self) -> bool:
            self.rows += 1
            return self.rows > 50

    bench = LightBench()
    ending = soak_on(bench, tmp_path / "r", light_plan(3600.0, 10.0, ("hold",)), watch=Wishing())
    assert (ending.how, ending.load_off_confirmed) == ("interrupted", True)
    assert bench.output_on, "the unit itself is left as it is"


def test_an_alarm_beside_the_bench_ends_the_soak_and_puts_the_unit_off(tmp_path: Path) -> None:
    from runner.soak.telling import Teller

    bench, alarm = LightBench(), tmp_path / "smoke"
    bench.before_row = _after(100, lambda _b: alarm.touch())
    teller = Teller(tmp_path, bench.clock, None, alarm=alarm)
    plan = light_plan(3600.0, 10.0, ("hold",))
    ending = soak_on(bench, tmp_path / "r", plan, watch=teller)
    assert (ending.how, ending.load_off_confirmed) == ("trouble", True)
    assert [e["rule"] for e in _events(open_record(tmp_path / "r"), "abort")] == ["alarm"]
    assert bench.output_on is False
    assert bench.read_count == 100, "at the row in which it was raised"


def test_a_unit_that_only_a_hand_can_set_loses_its_mains(tmp_path: Path) -> None:
    class Turning(Agreeing):
        def answer(self, request: Request) -> Answer:
            if isinstance(request, TurnKnob) and request.unit == "V":
                bench.set_v = request.target
            return super().answer(request)

    bench = LightBench()
    bench.supply = None
    bench.before_row = _after(100, lambda b: setattr(b, "heat_c", 95.0))
    plan = light_plan(3600.0, 10.0, ("hold",))
    soak_on(bench, tmp_path / "r", plan, operator=Turning(), by_hand=True)
    record = open_record(tmp_path / "r")
    assert [e["rule"] for e in _events(record, "abort")] == ["hot"]
    assert len(_events(record, "mains-off")) == 1
    assert bench.output_on is False


def test_without_its_dead_man_the_soak_ends(tmp_path: Path) -> None:
    class Bereft(Alone):
        promises = 0

        def promise(self, seconds: float) -> None:
            self.promises += 1
            if self.promises > 20:
                raise BenchError("the dead-man is gone")

    bench = LightBench()
    ending = soak_on(bench, tmp_path / "r", light_plan(3600.0, 10.0, ("hold",)), watch=Bereft())
    assert ending.how == "trouble"
    assert "dead-man" in ending.reason
    assert bench.load_on is False


def test_a_knob_is_turned_once_and_nobody_is_woken_for_the_next_stage(tmp_path: Path) -> None:
    bench, asked = LightBench(), []

    class Hand(Agreeing):
        def answer(self, request: Request) -> Answer:
            if isinstance(request, TurnKnob) and request.unit == "V":
                asked.append(request.target)
                bench.set_v = request.target
            return super().answer(request)

    plan = light_plan(7200.0, 10.0, ("hold", "thermal-cycles"))
    ending = soak_on(bench, tmp_path / "r", plan, operator=Hand(), by_hand=True)
    assert ending.how == "complete"
    assert asked == [24.0]


class _Failing(DiskFiles):
    """Fails at one call of write or fsync and at every later one; short writes too."""

    def __init__(self, good_calls: int, kind: str) -> None:
        self.left, self.kind, self.calls = good_calls, kind, 0

    def write(self, handle: io.FileIO, data: bytes) -> int:
        if self.kind in {"ENOSPC", "EIO", "EROFS", "short"}:
            self.calls += 1
            if self.calls > self.left:
                if self.kind == "short" and self.calls == self.left + 1:
                    return super().write(handle, data[: len(data) // 2])
                number = getattr(errno, self.kind, errno.ENOSPC)
                raise OSError(number, os.strerror(number))
        return super().write(handle, data)

    def fsync(self, handle: io.FileIO) -> None:
        if self.kind == "fsync":
            self.calls += 1
            if self.calls > self.left:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
        super().fsync(handle)


def _calls(tmp_path: Path, kind: str) -> int:
    files = _Failing(10**9, kind)
    soak_on(LightBench(), tmp_path / "whole", light_plan(240.0, 10.0), files=files)
    return files.calls


@pytest.mark.parametrize("kind", ["ENOSPC", "EIO", "EROFS", "short", "fsync"])
def test_a_disk_that_fails_at_any_write_ends_the_soak_safely(tmp_path: Path, kind: str) -> None:
    whole = _calls(tmp_path, kind)
    lines = (tmp_path / "whole" / "journal.jsonl").read_bytes().splitlines()
    assert whole > 0.8 * len(lines)
    for good in range(2, whole):  # the first two lines are written before there is a load
        bench, folder = LightBench(), tmp_path / f"f{good}"
        ending = soak_on(bench, folder, light_plan(240.0, 10.0), files=_Failing(good, kind))
        assert bench.load_on is False, good
        assert ending.load_off_confirmed is True, good
        assert ending.how == "record", good
        raw = (folder / "journal.jsonl").read_bytes()
        assert raw.endswith(b"\n"), good
        found = [json.loads(line)["kind"] for line in raw.splitlines()]
        due = [json.loads(line)["kind"] for line in lines]
        assert found == due[: len(found)], good
        if kind != "fsync":
            assert len(found) == good, good
        assert open_record(folder).problems == []
