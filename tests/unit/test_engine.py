"""Every way out of a run ends with the load off, read back off, and a closed record."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from runner.assess import assess
from runner.bench import find_bench, load_bench
from runner.checks.check import Conditions, Plan, Workplace
from runner.clock import VirtualClock
from runner.engine import Ending, Run, run_schedule
from runner.errors import (
    BenchError,
    DeadlineError,
    HazardStop,
    InstrumentError,
    RecordError,
    UnitRefusesError,
)
from runner.finding import Decision, Finding
from runner.instruments.roles import LoadState
from runner.job import Job
from runner.operator.requests import Answer, Request
from runner.profile import Profile, find_profile, load_profile
from runner.record.reader import CheckData, open_record
from runner.record.writer import END_WANTED, RecordWriter
from runner.schedule import Schedule, Step
from runner.unit_output import RemoteOutput


@dataclass
class _Load:
    """Remembers its input; may refuse to be switched off or to answer."""

    on: bool = True
    stuck: bool = False

    def input(self, on: bool) -> None:
        self.on = on or self.stuck

    def off_confirmed(self) -> bool:
        if not self.stuck:
            self.on = False
        return not self.on

    def state(self) -> LoadState:
        return LoadState(self.on, None, False)


@dataclass
class _Bench:
    load: _Load = field(default_factory=_Load)
    meter: Any = field(default_factory=object)
    supply: Any = field(default_factory=object)
    mains_meter: Any = None
    closes: int = 0
    close_raises: BaseException | None = None
    load_off_confirmed: bool | None = None
    troubles: list[str] = field(default_factory=list)

    changed: str = ""

    def check_settings(self) -> None:
        if self.changed:
            raise InstrumentError(self.changed)

    def traces(self, n: int) -> dict[str, list[str]]:
        return {"meter": ["> READ?"][-n:]}

    def link_health(self) -> dict[str, dict[str, int]]:
        return {"meter": {"repeats": 0}}

    def close(self) -> None:
        self.closes += 1
        self.load_off_confirmed = self.load.off_confirmed()
        if self.close_raises is not None:
            raise self.close_raises


class _Yes:
    def answer(self, request: Request) -> Answer:
        return Answer(done=True, words="yes")


class _No:
    def answer(self, request: Request) -> Answer:
        return Answer(done=False, words="no")


@dataclass
class _Check:
    act: Callable[[Workplace], None]
    name: str = "load-effect"
    title: str = "title"
    question: str = "question?"

    def plan(self, conditions: Conditions) -> Plan:
        return Plan(1.0)

    def measure(self, workplace: Workplace) -> None:
        self.act(workplace)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        return []


def _run(
    folder: Path, act: Callable[[Workplace], None], bench: _Bench, operator: Any = None
) -> Ending:
    clock = VirtualClock()
    writer = RecordWriter(folder, clock)
    profile = load_profile(find_profile("lb-2403"))
    writer.header(simulated=True, profile=profile.model_dump(mode="json"))
    check = _Check(act)
    return run_schedule(
        Run(
            profile=profile,
            bench=load_bench(find_bench("memory")),
            job=Job(),
            schedule=Schedule((Step(check, Plan(1.0)),)),
            instruments=bench,  # type: ignore[arg-type]
            operator=operator or _Yes(),
            clock=clock,
            writer=writer,
            progress=lambda *_: None,
            unattended=False,
        )
    )


def _raise(error: BaseException) -> Callable[[Workplace], None]:
    def act(_workplace: Workplace) -> None:
        raise error

    return act


ENDINGS: list[tuple[BaseException, str]] = [
    (BenchError("the load says: over temperature"), "trouble"),
    (DeadlineError("no complete answer"), "trouble"),
    (ZeroDivisionError("division by zero"), "trouble"),
    (UnicodeDecodeError("ascii", b"\xa1", 0, 1, "ordinal"), "trouble"),
    (MemoryError(), "trouble"),
    (RecordError("the journal cannot be written (No space left on device)"), "record"),
    (HazardStop("two shells on two nodes"), "hazard"),
    (KeyboardInterrupt(), "interrupted"),
]


@pytest.mark.parametrize(("error", "how"), ENDINGS, ids=lambda x: type(x).__name__)
def test_the_load_is_off_whatever_a_check_raises(
    tmp_path: Path, error: BaseException, how: str
) -> None:
    bench = _Bench()
    ending = _run(tmp_path, _raise(error), bench)
    assert ending.how == how
    assert ending.load_off_confirmed is True
    assert bench.load.on is False
    record = open_record(tmp_path)
    assert record.problems == []
    assert record.lines[-2]["kind"] == "safe"
    assert record.lines[-1]["how"] == how


def test_a_healthy_end_also_puts_the_load_off(tmp_path: Path) -> None:
    bench = _Bench()

    def act(workplace: Workplace) -> None:
        bench.load.on = True

    assert _run(tmp_path, act, bench) == Ending("complete", "", True)
    assert bench.load.on is False


def test_a_unit_that_goes_off_by_itself_is_a_finding(tmp_path: Path) -> None:
    bench = _Bench()
    assert (
        _run(tmp_path, _raise(UnitRefusesError("output stays on", "it answers 0")), bench).how
        == "complete"
    )
    assert bench.load.on is False
    (finding,) = assess(open_record(tmp_path)).findings
    assert (finding.what, finding.decision) == ("output stays on", Decision.FAIL)
    assert finding.reason == "it answers 0"


def test_only_going_on_can_be_the_units_refusal() -> None:
    class _Stubborn:
        def output(self, on: bool) -> None:
            raise InstrumentError("output was not taken")

    output = RemoteOutput(_Stubborn())  # type: ignore[arg-type]
    with pytest.raises(UnitRefusesError, match="does not put its output on"):
        output.on(True)
    with pytest.raises(InstrumentError) as caught:
        output.on(False)
    assert not isinstance(caught.value, UnitRefusesError)


def test_settings_changed_from_outside_end_the_run_before_the_check_counts(tmp_path: Path) -> None:
    bench = _Bench(changed="meter: settings changed from outside (range)")
    ending = _run(tmp_path, lambda _: None, bench)
    assert (ending.how, ending.reason) == ("trouble", bench.changed)
    record = open_record(tmp_path)
    assert not record.check("load-effect").finished
    assert next(record.of_kind("trace"))["lines"] == ["> READ?"]
    assert next(record.of_kind("safe"))["links"] == {"meter": {"repeats": 0}}


def test_a_healthy_record_holds_no_trace(tmp_path: Path) -> None:
    _run(tmp_path, lambda _: None, _Bench())
    assert list(open_record(tmp_path).of_kind("trace")) == []


def test_a_load_that_stays_on_is_told(tmp_path: Path) -> None:
    ending = _run(tmp_path, lambda _: None, _Bench(load=_Load(stuck=True)))
    assert ending.load_off_confirmed is False
    assert next(open_record(tmp_path).of_kind("safe"))["load_off_confirmed"] is False


@pytest.mark.parametrize("error", [BenchError("gone"), OSError("reset"), RuntimeError("odd")])
def test_trouble_while_putting_safe_is_told_and_hides_nothing(
    tmp_path: Path, error: BaseException
) -> None:
    ending = _run(tmp_path, lambda _: None, _Bench(close_raises=error))
    assert ending.how == "trouble"
    assert str(error) in ending.reason
    assert open_record(tmp_path).lines[-1]["kind"] == "end"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_end_the_run_safely(tmp_path: Path, number: signal.Signals) -> None:
    bench = _Bench()
    ending = _run(tmp_path, lambda _: os.kill(os.getpid(), number), bench)
    assert ending.how == "interrupted"
    assert bench.load.on is False
    assert signal.getsignal(signal.SIGTERM) == signal.SIG_DFL


def test_a_second_interrupt_during_the_ending_changes_nothing(tmp_path: Path) -> None:
    class _Impatient(_Bench):
        def close(self) -> None:
            os.kill(os.getpid(), signal.SIGINT)
            super().close()

    bench = _Impatient()
    ending = _run(tmp_path, _raise(KeyboardInterrupt()), bench)
    assert ending == Ending("interrupted", "stopped by the person at the bench", True)


def test_no_to_a_question_before_power_measures_nothing(tmp_path: Path) -> None:
    touched: list[str] = []
    ending = _run(tmp_path, lambda _: touched.append("yes"), _Bench(), _No())
    assert ending.how == "refused"
    assert touched == []


def test_a_disk_that_fails_at_the_end_is_still_told(tmp_path: Path) -> None:
    def act(workplace: Workplace) -> None:
        workplace.log._writer.close()  # type: ignore[attr-defined]

    ending = _run(tmp_path, act, _Bench())
    assert ending.load_off_confirmed is True
    assert ending.how in {"trouble", "record"}


def test_a_wish_from_the_live_page_ends_the_run_safely(tmp_path: Path) -> None:
    bench = _Bench()

    def act(workplace: Workplace) -> None:
        bench.load.on = True
        folder = workplace.log._writer.folder  # type: ignore[attr-defined]
        (folder / END_WANTED).touch()
        workplace.log.progress(0.5, "next point")
        raise AssertionError("went on")

    assert _run(tmp_path, act, bench).how == "interrupted"
    assert bench.load.on is False
