"""Real disks that refuse: full, mounted read-only; what is said on the screen and elsewhere."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from runner.acceptance import Acceptance, load_inputs
from runner.bench import find_bench
from runner.cli.main import asleft
from runner.cli.pages import Pages
from runner.cli.soak import print_soak
from runner.clock import VirtualClock
from runner.errors import RecordError
from runner.instruments.roles import Capture
from runner.job import Job
from runner.record.chain import chain_faults
from runner.record.journal import JOURNAL_NAME, DiskFiles
from runner.record.writer import CheckWriter, RecordWriter
from runner.soak.plan import make_plan
from runner.soak.run import SoakWanted, run_soak
from tests.soak.light_bench import Agreeing, LightBench, light_plan, soak_on

needs_root = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("mount") is None, reason="only root may mount a disk"
)


def _disk(place: Path, options: str) -> Iterator[Path]:
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
    if subprocess.run(words, check=False, capture_output=True).returncode != 0:
        pytest.skip("the kernel refuses the mount")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    yield from _disk(tmp_path / "small", "size=64k")


@pytest.fixture
def read_only_disk(tmp_path: Path) -> Iterator[Path]:
    yield from _disk(tmp_path / "read-only", "size=64k,ro")


@needs_root
def test_a_disk_that_is_nearly_full_stops_the_soak_before_it_is(small_disk: Path) -> None:
    bench = LightBench()
    ending = soak_on(bench, small_disk / "r", light_plan(36000.0, 10.0, ("hold",)))
    assert (ending.how, ending.load_off_confirmed, bench.load_on) == ("trouble", True, False)
    assert "the disk is nearly full" in ending.reason


@needs_root
def test_a_disk_that_fills_up_ends_the_soak_with_the_load_off(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("runner.soak.rules.DISK_LEAST_BYTES", 0.0)
    bench = LightBench()
    ending = soak_on(bench, small_disk / "r", light_plan(36000.0, 10.0, ("hold",)))
    assert (ending.how, ending.load_off_confirmed, bench.load_on) == ("record", True, False)
    assert "No space left" in ending.reason
    raw = (small_disk / "r" / JOURNAL_NAME).read_bytes()
    assert raw.endswith(b"\n")
    assert raw.count(b'"kind":"s"') > 100
    assert chain_faults(raw) == []


@needs_root
def test_a_read_only_disk_is_said_before_anything_is_switched(read_only_disk: Path) -> None:
    result = CliRunner().invoke(
        asleft,
        ["soak", "--bench", "memory", "--for", "1min", "--stage", "hold", "--guards-done", "x",
         "--out", str(read_only_disk / "records")],
        standalone_mode=False,
    )  # fmt: skip
    assert isinstance(result.exception, RecordError)
    assert result.exception.exit_code == 4
    assert "Read-only file system" in str(result.exception)


class _Refusing(DiskFiles):
    """Refuses a call after so many, and then every one or (``once``) none."""

    def __init__(self, good_calls: int, kind: str, *, once: bool = False) -> None:
        self.left, self.kind, self.once = good_calls, kind, once

    def _refuse(self, of: set[str]) -> bool:
        if self.kind not in of:
            return False
        self.left -= 1
        return self.left == -1 or (self.left < 0 and not self.once)

    def write(self, handle: io.FileIO, data: bytes) -> int:
        if self._refuse({"ENOSPC", "EIO", "half"}):
            if self.kind == "half" and len(data) > 1:
                self.left += 1  # what follows the half is refused
                self.kind = "ENOSPC"
                return super().write(handle, data[: len(data) // 2])
            number = errno.EIO if self.kind == "EIO" else errno.ENOSPC
            raise OSError(number, os.strerror(number))
        return super().write(handle, data)

    def fsync(self, handle: io.FileIO) -> None:
        if self._refuse({"fsync"}):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        super().fsync(handle)


def _refused(place: Path, kind: str, good_calls: int, *, once: bool) -> str | None:
    """A soak on a disk that refuses; what came to the screen, None where it was not reached."""
    inputs = load_inputs(find_bench("memory"), None)
    plan = make_plan(inputs.profile, inputs.bench, 20.0, 1.0, only=("hold",), armed=False)
    acceptance = Acceptance(inputs=inputs, job=Job(serial="D-1"), out=place / "records")
    files = _Refusing(good_calls, kind, once=once)
    wanted = SoakWanted(acceptance, plan, guards="a test", files=files)
    endings = []

    def run(shown: Any) -> Any:
        outcome = run_soak(wanted, lambda _: Agreeing(), shown)
        endings.append(outcome.ending)
        return outcome

    screen = io.StringIO()
    with contextlib.redirect_stderr(screen), contextlib.redirect_stdout(io.StringIO()):
        try:
            code = print_soak(run, Pages(wanted=False, quiet=True), as_json=False)
        except RecordError as error:  # before there is a load: the command prints it
            return str(error)
    if files.left >= 0:
        return None
    assert code != 0
    assert endings[0].load_off_confirmed is not False
    return screen.getvalue()


def _is_told(place: Path, kind: str, good_calls: int, *, once: bool = False) -> bool:
    """False where the soak made fewer calls than that."""
    screen = _refused(place, kind, good_calls, once=once)
    if screen is None:
        return False
    said = "No space left" if kind in {"ENOSPC", "half"} else "Input/output error"
    assert said in screen, (kind, good_calls)
    (words,) = place.glob("asleft-*-last-words.txt")
    assert said in words.read_text(), (kind, good_calls)
    (journal,) = place.glob("records/*/" + JOURNAL_NAME)
    assert chain_faults(journal.read_bytes()) == [], (kind, good_calls)
    return True


@pytest.mark.parametrize("once", [False, True])
@pytest.mark.parametrize(
    ("kind", "good_calls"),
    [("ENOSPC", 30), ("EIO", 8), ("half", 17), ("fsync", 25), ("ENOSPC", 0), ("fsync", 5)],
)
def test_a_disk_that_refuses_is_said_on_the_screen_and_in_a_second_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, good_calls: int, once: bool
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    assert _is_told(tmp_path, kind, good_calls, once=once)


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("once", [False, True])
@pytest.mark.parametrize("kind", ["ENOSPC", "EIO", "half", "fsync"])
def test_so_it_is_at_every_write_and_flush(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, once: bool
) -> None:
    good_calls, told = 0, True
    while told:
        place = tmp_path / str(good_calls)
        place.mkdir()
        monkeypatch.setattr("tempfile.gettempdir", lambda here=place: str(here))
        told = _is_told(place, kind, good_calls, once=once)
        good_calls += 1
    assert good_calls > 40


@needs_root
def test_a_waveform_that_the_disk_refuses_is_no_line_and_its_name_is_not_used_again(
    small_disk: Path,
) -> None:
    noise = np.random.default_rng(1).standard_normal(50_000)
    capture = Capture("ch1", "scope", noise, 1e-6, 0.0, 0.0, 8.0, 0.0, "dc", 1.0, None, "", False)
    writer = RecordWriter(small_disk / "r", VirtualClock())
    log = CheckWriter(writer, "soak", lambda *_: None)
    with pytest.raises(RecordError, match="No space left"):
        log.waveform("event-1", capture)
    (left,) = (small_disk / "r" / "waveforms").iterdir()
    left.write_bytes(b"half")
    again = CheckWriter(writer, "soak", lambda *_: None)  # as after a resume
    short = replace(capture, v=noise[:100])
    again.waveform("event-1", short)
    again.waveform("event-1", short)
    names = [one.fields["name"] for one in writer.check_data("soak").waveforms]
    assert names == ["event-1-2", "event-1-3"]
    assert left.read_bytes() == b"half"
    writer.close()
