"""The day after a soak: the same load from cold, held against the soak's end."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from runner.assess import assess
from runner.clock import VirtualClock
from runner.errors import BenchError, InputError
from runner.operator.requests import Answer, AskYesNo, Request
from runner.record.reader import open_record
from runner.soak.cold_start import ask_if_cold, before_of
from tests.soak.light_bench import Agreeing, LightBench, light_plan, soak_on

WHAT = "output in its first minute from cold"


@pytest.fixture
def soaked(tmp_path: Path) -> Path:
    soak_on(LightBench(), tmp_path / "soak", light_plan(7200.0, 10.0, ("hold", "tap-cycles")))
    return tmp_path / "soak"


def _cold(place: Path, soaked: Path, hour: int, error_v: float = 0.0) -> tuple[str, str, str]:
    """A cold start at this hour (the soak began at 0 and took two); decision, at, reason."""
    bench = LightBench(clock=VirtualClock(datetime(2026, 1, 1, hour, tzinfo=UTC)))
    bench.error_v = error_v
    plan = light_plan(600.0, 5.0, ("cold-start",))
    soak_on(bench, place, plan, before=before_of(soaked, "L-1"))
    found = {f.what: f for f in assess(open_record(place)).findings if f.check == "soak"}
    assert "drift after warm-up" not in found, "the warm-up itself is what is looked at"
    return str(found[WHAT].decision), found[WHAT].at, found[WHAT].reason


def test_what_it_is_held_against_is_the_end_of_the_holding_stage(soaked: Path) -> None:
    before = before_of(soaked, "L-1")
    # 24 V less 10 mV a load ampere at the light bench's 3 A; tap cycling came after.
    assert before["set_v"] == 24.0
    assert before["end_v"] == pytest.approx(23.97, abs=1e-4)


def test_a_unit_that_comes_up_as_it_was_is_good(tmp_path: Path, soaked: Path) -> None:
    decision, at, _ = _cold(tmp_path / "cold", soaked, 14, error_v=-0.02)
    assert decision == "conditional pass"  # the light bench's accuracy is unknown
    assert at == "12.0 h after soak, -20 mV from its end"


def test_a_unit_that_comes_up_low_fails(tmp_path: Path, soaked: Path) -> None:
    assert _cold(tmp_path / "cold", soaked, 14, error_v=-3.0)[0] == "fail"


def test_a_unit_that_has_not_rested_is_not_judged(tmp_path: Path, soaked: Path) -> None:
    decision, _, reason = _cold(tmp_path / "cold", soaked, 4)
    assert decision == "not measured"
    assert "2.0 h after soak by the clock, 4 h are needed" in reason


def test_the_soak_of_another_unit_is_refused(soaked: Path) -> None:
    with pytest.raises(InputError, match="expected 'L-2', found 'L-1'"):
        before_of(soaked, "L-2")


def test_a_soak_without_constant_load_is_refused(tmp_path: Path) -> None:
    soak_on(LightBench(), tmp_path / "r", light_plan(600.0, 1.0, ("tap-cycles",)))
    with pytest.raises(InputError, match="no soak at constant load"):
        before_of(tmp_path / "r", "L-1")


def test_it_is_alone_and_never_part_of_a_night() -> None:
    assert "cold-start" not in {stage.name for stage in light_plan(7200.0, 10.0).stages}
    with pytest.raises(InputError, match="or cold-start alone"):
        light_plan(7200.0, 10.0, ("cold-start", "hold"))


def test_nobody_who_says_that_it_is_cold_means_no_cold_start() -> None:
    asked = []

    class Person(Agreeing):
        def answer(self, request: Request) -> Answer:
            asked.append(request)
            return Answer(done=False, words="no")

    with pytest.raises(BenchError, match="not known to be cold"):
        ask_if_cold(Person())
    assert isinstance(asked[0], AskYesNo)
