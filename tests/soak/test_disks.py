"""Real disks that refuse: full, mounted read-only; what is said on the screen and elsewhere."""

from __future__ import annotations

import errno
import io
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from runner.acceptance import Acceptance, load_inputs
from runner.bench import find_bench
from runner.cli.main import asleft
from runner.cli.pages import Pages
from runner.cli.soak import print_soak
from runner.errors import RecordError
from runner.job import Job
from runner.record.chain import chain_faults
from runner.record.journal import JOURNAL_NAME, DiskFiles
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


class _FullAfter(DiskFiles):
    def __init__(self, lines: int) -> None:
        self.left = lines

    def write(self, handle: io.FileIO, data: bytes) -> int:
        self.left -= 1
        if self.left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().write(handle, data)


def test_a_full_disk_is_said_on_the_screen_and_in_a_second_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    inputs = load_inputs(find_bench("memory"), None)
    plan = make_plan(inputs.profile, inputs.bench, 60.0, 2.0, only=("hold",), armed=False)
    acceptance = Acceptance(inputs=inputs, job=Job(serial="D-1"), out=tmp_path / "records")
    wanted = SoakWanted(acceptance, plan, guards="a test", files=_FullAfter(30))
    pages = Pages(wanted=False, quiet=True)
    code = print_soak(
        lambda shown: run_soak(wanted, lambda _: Agreeing(), shown), pages, as_json=False
    )
    assert code != 0
    assert "No space left" in capsys.readouterr().err
    (words,) = tmp_path.glob("asleft-*-last-words.txt")
    assert "No space left" in words.read_text()
