"""Lists written by hand, turned into records."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.assess import assess
from runner.clock import VirtualClock
from runner.errors import AsleftError, InputError, RecordError
from runner.finding import Decision
from runner.job import Job
from runner.profile import load_profile, shipped_profiles
from runner.record.hand_lists import import_lists
from runner.record.reader import Record
from tests.reports.made_record import START

PROFILE = load_profile(shipped_profiles() / "lb-2403.toml")
ROWS = [(0, "0,004"), (6, "6,008"), (12, "12,013"), (24, "24,020"), (12, "12,014"), (0, "0,004")]


def imported(folder: Path, text: str, name: str = "old.csv") -> Record:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    job = Job(serial="1987-4", stage="as-left")
    return import_lists([path], PROFILE, job, folder / "r", VirtualClock(START))


@pytest.mark.parametrize(("delimiter", "comma"), [(";", True), ("\t", True), (",", False)])
def test_each_layout_gives_the_same_readings(tmp_path: Path, delimiter: str, comma: bool) -> None:
    lines = [delimiter.join(("set [V]", "output [V]", "remark"))]
    lines += [delimiter.join((str(s), o if comma else o.replace(",", "."), "x")) for s, o in ROWS]
    record = imported(tmp_path, "\ufeff" + "\r\n".join(lines))
    data = record.check("setting")
    assert [(r.at["set_v"], r.value) for r in data.readings] == [
        (s, float(o.replace(",", "."))) for s, o in ROWS
    ]
    assert [r.at["direction"] for r in data.readings] == ["rising"] * 4 + ["falling"] * 2


def test_it_is_marked_and_never_a_plain_pass(tmp_path: Path) -> None:
    text = "set [V];output [mV]\n" + "\n".join(f"{s};{1000 * s + 1}" for s, _ in ROWS)
    record = imported(tmp_path, text)
    assert record.header["imported"] is True
    assert not record.simulated
    decisions = {f.decision for f in assess(record).findings}
    assert Decision.PASS not in decisions
    assert Decision.CONDITIONAL_PASS in decisions


def test_cells_that_are_no_numbers_stay_invalid(tmp_path: Path) -> None:
    record = imported(tmp_path, "set [V],output [V]\n5,smoke\n6,\n7,inf\n")
    readings = record.check("setting").readings
    assert [r.value for r in readings] == [None] * 3
    assert [r.reason for r in readings] == [
        "the cell says 'smoke'",
        "empty cell",
        "the cell says 'inf'",
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("set [V];remark\n1;x\n", "no column of measured values"),
        ("set [V];output\n1;2\n", "expected output [V]"),
        ("set [V];output [A]\n1;2\n", "another unit"),
        ("set [V];output [V]\n1;2;3\n", "line 2: this row has another number"),
    ],
)
def test_errors_name_the_place_and_nothing_is_written(
    tmp_path: Path, text: str, words: str
) -> None:
    with pytest.raises(InputError) as error:
        imported(tmp_path, text)
    assert words in str(error.value)
    assert not (tmp_path / "r").exists()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    imported(tmp_path, "output [V]\n5\n")
    with pytest.raises(RecordError, match="exists already"):
        imported(tmp_path, "output [V]\n5\n")


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.binary(max_size=200)
    | st.text(max_size=200).map(lambda t: f"set [V];output [V]\n{t}".encode())
)
def test_any_bytes_are_a_list_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    folder = tmp_path_factory.mktemp("fuzz")
    path = folder / "f.csv"
    path.write_bytes(data)
    try:
        record = import_lists([path], PROFILE, Job(), folder / "r", VirtualClock(START))
    except AsleftError as error:
        assert "\n" not in str(error) or "\n" in data.decode(errors="replace")
        return
    assert record.problems == []
