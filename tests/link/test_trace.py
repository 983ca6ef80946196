"""The trace: all raw bytes into a file, the last ones into the record of trouble."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from runner.acceptance import Acceptance, load_inputs, run_acceptance
from runner.bench import find_bench
from runner.clock import VirtualClock
from runner.errors import InputError
from runner.job import Job
from runner.link.trace import Trace, trace_file
from tests.e2e.cli import asleft

LINE = re.compile(r"^[a-z-]+ \d{4}-\d\d-\d\dT\S+ \d+\.\d{6} [<>!] ")


class _FullDisk:
    def __init__(self, room: int) -> None:
        self.room = room

    def write(self, text: str) -> int:
        self.room -= len(text)
        if self.room < 0:
            raise OSError(28, "No space left on device")
        return len(text)


def test_a_trace_file_that_fails_never_disturbs_the_link() -> None:
    sink: Any = _FullDisk(100)
    trace = Trace(VirtualClock(), sink=sink, name="meter")
    for _ in range(10):
        trace.add(">", b"READ?\n")
    assert sum(one.direction == ">" for one in trace.last()) == 10
    assert sum(b"given up" in one.data for one in trace.last()) == 1


def test_a_trace_that_cannot_be_opened_is_refused(tmp_path: Path) -> None:
    wrong = tmp_path / "none" / "t.txt"
    with pytest.raises(InputError, match="--trace: the trace cannot be written"):
        trace_file(wrong).__enter__()
    with trace_file(None) as sink:
        assert sink is None


def _run(folder: Path, rude: dict[str, list[str]], trace: Path | None) -> Any:
    wanted = Acceptance(
        inputs=load_inputs(find_bench("memory"), None), job=Job(), out=folder,
        only=("load-effect",), quick=True, trace=trace, options={"rude": rude},
    )  # fmt: skip
    return run_acceptance(wanted, lambda _: None, lambda *_: None)  # type: ignore[arg-type,return-value]


def test_trouble_leaves_the_last_messages_in_the_record(tmp_path: Path) -> None:
    outcome = _run(tmp_path, {"supply": ["wedge:query=20", "refuse:at=100"]}, None)
    assert outcome.ending.how == "trouble"
    traces = {line["instrument"]: line["lines"] for line in outcome.record.of_kind("trace")}
    assert set(traces) >= {"meter", "load", "supply"}
    assert 2 < len(traces["supply"]) <= 200
    assert any("! recovery failed" in line for line in traces["supply"])
    links = next(outcome.record.of_kind("safe"))["links"]
    assert links["supply"]["recoveries"] > links["meter"]["recoveries"] >= 1


def test_everything_asked_and_answered_is_in_the_trace_file(tmp_path: Path) -> None:
    outcome = _run(tmp_path, {}, tmp_path / "all.txt")
    assert outcome.ending.how == "complete"
    lines = (tmp_path / "all.txt").read_text(encoding="utf-8").splitlines()
    assert all(LINE.match(line) for line in lines)
    links = next(outcome.record.of_kind("safe"))["links"]
    sent = sum(" > " in line and line.startswith("meter ") for line in lines)
    assert sent >= links["meter"]["transactions"]


@pytest.mark.parametrize(
    "command", [("demo", "--only", "before-power"), ("run", "-b", "memory", "--only", "setting")]
)
def test_option_trace(tmp_path: Path, command: tuple[str, ...]) -> None:
    out = ("--quick", "--json", "--no-report", "--out", str(tmp_path))
    called = asleft(*command, "--trace", str(tmp_path / "t.txt"), *out)
    assert called.code in {0, 1}, called.err
    assert "load " in (tmp_path / "t.txt").read_text(encoding="utf-8")


def test_option_trace_of_a_soak(tmp_path: Path) -> None:
    called = asleft(
        "soak", "-b", "memory", "--for", "3min", "--stage", "hold", "--json", "--guards-done",
        "paper", "--trace", str(tmp_path / "t.txt"), "--out", str(tmp_path),
    )  # fmt: skip
    assert called.code in {0, 1}, called.err
    assert "MEAS:CURR?" in (tmp_path / "t.txt").read_text(encoding="utf-8")
