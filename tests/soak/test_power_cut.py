"""The power goes at any instant: nothing written after the last fsync is assumed to be there."""

from __future__ import annotations

import io
import random
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from runner.record.chain import chain_faults
from runner.record.journal import JOURNAL_NAME, DiskFiles
from runner.record.manifest import code_hash
from runner.record.reader import open_record
from runner.resume import read_resumable
from tests.soak.light_bench import LightBench, light_plan, soak_on

EVERY_S = 0.1
CUTS = 40
LOST_MOST_S = 1.0


@dataclass(frozen=True)
class _Instant:
    """After one call: time on the soak's clock, bytes written, bytes that are surely on disk."""

    t_s: float
    written: int
    safe: int
    load_on: bool


class _Recording(DiskFiles):
    def __init__(self, bench: LightBench) -> None:
        self.bench, self.instants, self.safe = bench, [], 0

    def _note(self, handle: io.FileIO) -> None:
        written = handle.tell()
        self.instants.append(
            _Instant(self.bench.clock.mono_s(), written, self.safe, self.bench.load_on)
        )

    def write(self, handle: io.FileIO, data: bytes) -> int:
        done = super().write(handle, data)
        self._note(handle)
        return done

    def fsync(self, handle: io.FileIO) -> None:
        super().fsync(handle)
        self.safe = handle.tell()
        self._note(handle)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[_Instant]]:
    folder = tmp_path_factory.mktemp("power") / "r"
    bench = LightBench()
    files = _Recording(bench)
    plan = light_plan(120.0, EVERY_S)
    soak_on(bench, folder, plan, files=files, options={"code_sha256": code_hash()})
    return folder, files.instants


def _row_times(folder: Path) -> list[float]:
    return [line["t_mono_s"] for line in open_record(folder).of_kind("s")]


def test_at_no_instant_is_more_than_a_second_of_readings_at_risk(
    night: tuple[Path, list[_Instant]],
) -> None:
    folder, instants = night
    data = (folder / JOURNAL_NAME).read_bytes()
    times = _row_times(folder)
    ends = [at for at in range(len(data)) if data[at : at + 1] == b"\n"]
    lines = data.splitlines()
    rows = [end for line, end in zip(lines, ends, strict=True) if b'"kind":"s"' in line]
    at_risk = [
        [t for t, end in zip(times, rows, strict=True) if one.safe <= end < one.written]
        for one in instants
    ]
    spans = [one[-1] - one[0] + EVERY_S for one in at_risk if one]
    assert len(spans) > 100, "rows do wait for the disk"
    assert max(spans) <= LOST_MOST_S + 1e-9


def test_what_is_left_after_a_power_cut_is_whole_and_goes_on(
    night: tuple[Path, list[_Instant]], tmp_path: Path
) -> None:
    folder, instants = night
    rng = random.Random(3)
    under_way = [one for one in instants if one.load_on]
    for number, one in enumerate(rng.sample(under_way, CUTS)):
        left = tmp_path / str(number)
        shutil.copytree(folder, left)
        keep = rng.randint(one.safe, one.written)  # some of the rest may have got there, torn
        with (left / JOURNAL_NAME).open("r+b") as journal:
            journal.truncate(keep)
        raw = (left / JOURNAL_NAME).read_bytes()
        assert chain_faults(raw[: raw.rfind(b"\n") + 1]) == []
        found = read_resumable(left, None)
        assert found.after[2] + found.torn_bytes == keep
        stage = list(found.record.of_kind("stage"))[-1]
        done_s = stage["from_s"] + one.t_s - stage["t_mono_s"]
        assert found.done_s == pytest.approx(done_s, abs=LOST_MOST_S + 2 * EVERY_S)
