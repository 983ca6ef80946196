"""What may go on and what may not; the wiring of the commands on the simulated bench."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from runner.cli.main import asleft
from runner.cli.soak import seconds
from runner.errors import InputError, RecordError
from runner.record.journal import JOURNAL_NAME
from runner.record.manifest import code_hash
from runner.record.reader import open_record
from runner.resume import other_instruments, read_resumable
from runner.soak.telling import Teller, last_words
from tests.soak.light_bench import LightBench, light_plan, soak_on

PLAN = light_plan(3600.0, 10.0, ("hold",))


def _cut(folder: Path, rows: int = 100) -> Path:
    """A soak that stopped after so many rows, with the options that the command writes."""
    bench = LightBench()

    def stop(b: LightBench) -> None:
        if b.read_count == rows:
            raise KeyboardInterrupt

    bench.before_row = stop
    soak_on(bench, folder, PLAN, options={"code_sha256": code_hash()})
    return folder


def test_it_goes_on_from_the_last_row(tmp_path: Path) -> None:
    folder = _cut(tmp_path / "r")
    found = read_resumable(folder, "L-1")
    assert found.done_s == pytest.approx(98 * 10.0, abs=15.0)
    assert found.plan == PLAN
    assert found.torn_bytes == 0


def test_a_torn_line_is_no_hindrance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = _cut(tmp_path / "r")
    whole = (folder / JOURNAL_NAME).stat().st_size
    with (folder / JOURNAL_NAME).open("ab") as file:
        file.write(b'{"seq":1')
    found = read_resumable(folder, None)
    assert (found.torn_bytes, found.after[2]) == (8, whole)


def test_an_altered_journal_does_not_go_on(tmp_path: Path) -> None:
    folder = _cut(tmp_path / "r")
    path = folder / JOURNAL_NAME
    lines = path.read_bytes().splitlines(keepends=True)
    del lines[40]
    path.write_bytes(b"".join(lines))
    with pytest.raises(RecordError, match="missing before line 41"):
        read_resumable(folder, None)


def test_another_unit_does_not_go_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = _cut(tmp_path / "r")
    with pytest.raises(InputError, match="expected 'L-1', found 'L-2'"):
        read_resumable(folder, "L-2")


def test_another_program_does_not_go_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = _cut(tmp_path / "r")
    monkeypatch.setattr("runner.resume.code_hash", lambda: "0" * 64)
    with pytest.raises(InputError, match="the program has changed"):
        read_resumable(folder, None)


def test_a_complete_soak_does_not_go_on(tmp_path: Path) -> None:
    soak_on(LightBench(), tmp_path / "r", PLAN, options={"code_sha256": code_hash()})
    with pytest.raises(RecordError, match="its run ended"):
        read_resumable(tmp_path / "r", None)


def test_another_instrument_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = open_record(_cut(tmp_path / "r"))
    assert other_instruments(record, []) == []
    said = other_instruments(record, [{"name": "meter", "serial": "M-9"}])
    assert said == ["meter: serial None was used before, 'M-9' answers now"]


@pytest.mark.parametrize(
    ("typed", "due"), [("12h", 43200.0), ("90 min", 5400.0), ("10s", 10.0), ("0.1s", 0.1)]
)
def test_lengths_of_time(typed: str, due: float) -> None:
    assert seconds(typed, "--for") == due


@pytest.mark.parametrize("typed", ["", "h", "12", "-1h", "nanh", "12 days", "1e9h", "٣ m"])
def test_what_is_no_length_of_time_is_said(typed: str) -> None:
    with pytest.raises(InputError, match="no length of time"):
        seconds(typed, "--for")


def test_a_short_soak_from_the_command_line(tmp_path: Path) -> None:
    # The hand of the simulated bench answers; the scope catches, rows and ripple are kept.
    result = CliRunner().invoke(
        asleft,
        ["soak", "--bench", "memory", "--for", "4min", "--every", "10s", "--serial", "S-1",
         "--guards-done", "a test", "--stage", "hold", "--out", str(tmp_path), "--json"],
        standalone_mode=False,
    )  # fmt: skip
    assert result.exception is None
    told = json.loads(result.stdout)
    decisions = {f["what"]: f["decision"] for f in told["findings"]}
    assert decisions["share of the soak done"] == "pass"
    assert decisions["events on the output seen by the scope"] == "pass"
    folder = Path(told["record"])
    assert (folder / "morning.html").exists()
    record = open_record(folder)
    columns = [c["quantity"] for c in next(record.of_kind("columns"))["columns"]]
    assert columns[0] == "output-voltage"
    assert columns[-1] == "ripple-rms"
    ripple = [line["v"][-1] for line in record.of_kind("s") if line["v"][-1] is not None]
    assert 0.0 < ripple[0] < 2e-3  # the healthy simulated unit's limit, from its profile


def test_the_hook_gets_words_no_shell_sees(tmp_path: Path) -> None:
    from runner.clock import SystemClock

    script = tmp_path / "hook.sh"
    script.write_text('#!/bin/sh\nprintf "%s|%s\\n" "$1" "$2" >> "$(dirname "$0")/said"\n')
    script.chmod(0o755)
    teller = Teller(tmp_path, SystemClock(), None, (str(script),))
    teller.event("abort", "it is hot; $(touch hacked) `touch hacked`")
    teller._running[0][0].wait(timeout=10.0)
    teller.reap()
    assert (tmp_path / "said").read_text() == "abort|it is hot; $(touch hacked) `touch hacked`\n"
    assert not (tmp_path / "hacked").exists()


def test_a_hook_that_is_not_there_stops_nothing(tmp_path: Path) -> None:
    from runner.clock import VirtualClock

    teller = Teller(tmp_path, VirtualClock(), None, (str(tmp_path / "nothing"),))
    teller.event("abort", "x")
    assert "cannot be run" in teller.troubles[0]


def test_the_last_words_go_where_another_disk_may_take_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    place = last_words(Path("/records/night"), "the disk is full")
    assert place == tmp_path / "asleft-night-last-words.txt"
    assert place.read_text() == "the disk is full\n"
