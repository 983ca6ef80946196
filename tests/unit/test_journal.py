"""The journal: hash-chained lines that survive what disks do (SHA-256 as in FIPS 180-4)."""

import contextlib
import errno
import hashlib
import io
import itertools
import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.clock import VirtualClock
from runner.errors import RecordError
from runner.record.journal import DiskFiles, Journal
from runner.record.reader import open_record
from runner.record.waveforms import load_waveform, store_waveform


def _write(folder: Path, lines: int, **more: object) -> Journal:
    journal = Journal(folder, VirtualClock(), **more)  # type: ignore[arg-type]
    journal.write("record", format=1, simulated=True)
    for number in range(lines - 1):
        journal.write("note", check="setting", text=f"line {number}")
    return journal


def test_each_line_names_the_hash_of_the_line_before(tmp_path: Path) -> None:
    _write(tmp_path, 5).close()
    raw = (tmp_path / "journal.jsonl").read_bytes().splitlines()
    for before, line in itertools.pairwise(raw):
        assert json.loads(line)["prev"] == hashlib.sha256(before).hexdigest()


def test_a_line_is_on_disk_when_write_returns(tmp_path: Path) -> None:
    journal = _write(tmp_path, 1)
    journal.write("note", check="setting", text="now")
    assert b'"now"' in (tmp_path / "journal.jsonl").read_bytes()
    journal.close()


def test_lines_of_one_place_come_together_or_not_at_all(tmp_path: Path) -> None:
    class Full(DiskFiles):
        syncs, full = 0, False

        def write(self, handle: io.FileIO, data: bytes) -> int:
            if self.full and handle.tell() > before + 50:
                raise OSError(errno.ENOSPC, "no space")
            return super().write(handle, data[:80] if self.full else data)

        def fsync(self, handle: io.FileIO) -> None:
            self.syncs += 1
            super().fsync(handle)

    files, path, before = Full(), tmp_path / "journal.jsonl", 0
    journal = _write(tmp_path, 1, files=files)
    syncs = files.syncs
    journal.write_all("note", [{"check": "setting", "text": str(n)} for n in range(4)])
    assert files.syncs == syncs + 1
    journal.write_all("note", [])
    raw, hash_before = path.read_bytes(), journal.last_hash
    before, files.full = len(raw), True
    with pytest.raises(RecordError, match="cannot be written"):
        journal.write_all("note", [{"check": "setting", "text": str(n)} for n in range(4)])
    assert (path.read_bytes(), journal.last_hash) == (raw, hash_before)
    files.full = False
    journal.write("note", check="setting", text="after")
    journal.close()
    lines = [json.loads(line) for line in path.read_bytes().splitlines()]
    assert [line["seq"] for line in lines] == list(range(6))
    for one, after in itertools.pairwise(path.read_bytes().splitlines()):
        assert json.loads(after)["prev"] == hashlib.sha256(one).hexdigest()


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    _write(tmp_path, 1).close()
    with pytest.raises(RecordError, match="never written over"):
        Journal(tmp_path, VirtualClock())


def test_a_second_writer_is_kept_out(tmp_path: Path) -> None:
    journal = _write(tmp_path, 1)
    with pytest.raises(RecordError, match="another run"):
        Journal(tmp_path, VirtualClock(), resume_after=(1, journal.last_hash, 0))
    journal.close()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_not_a_number_never_reaches_the_disk(tmp_path: Path, value: float) -> None:
    journal = _write(tmp_path, 1)
    with pytest.raises(ValueError, match="not JSON compliant"):
        journal.write("reading", value=value)
    journal.close()
    assert len(open_record(tmp_path).lines) == 1


class _Failing(DiskFiles):
    """Fails from the given call on, as a full or broken disk does."""

    def __init__(self, good_calls: int, error: int, call: str) -> None:
        self._left, self._error, self._call = good_calls, error, call

    def _maybe(self, call: str) -> None:
        if call == self._call:
            self._left -= 1
            if self._left < 0:
                raise OSError(self._error, os.strerror(self._error))

    def write(self, handle: io.FileIO, data: bytes) -> int:
        if self._call == "short":
            return super().write(handle, data[:3])
        self._maybe("write")
        return super().write(handle, data)

    def fsync(self, handle: io.FileIO) -> None:
        self._maybe("fsync")
        super().fsync(handle)


@pytest.mark.parametrize("call", ["write", "fsync"])
@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO, errno.EROFS])
def test_a_failing_disk_is_one_sentence_and_leaves_whole_lines(
    tmp_path: Path, call: str, error: int
) -> None:
    journal = _write(tmp_path, 3, files=_Failing(4, error, call))
    journal.write("note", check="setting", text="fits")
    with pytest.raises(RecordError, match=os.strerror(error)):
        journal.write("note", check="setting", text="does not fit")
    with contextlib.suppress(RecordError):
        journal.close()
    record = open_record(tmp_path)
    assert len(record.lines) == 4
    assert record.problems == []


def test_short_writes_are_carried_on(tmp_path: Path) -> None:
    _write(tmp_path, 4, files=_Failing(0, 0, "short")).close()
    assert len(open_record(tmp_path).lines) == 4


def test_a_torn_last_line_is_reported_and_left_out(tmp_path: Path) -> None:
    _write(tmp_path, 4).close()
    path = tmp_path / "journal.jsonl"
    path.write_bytes(path.read_bytes()[:-20])
    record = open_record(tmp_path)
    assert record.torn
    assert len(record.lines) == 3


@given(st.data())
@settings(max_examples=60)
def test_any_changed_byte_is_found(tmp_path_factory: pytest.TempPathFactory, data) -> None:  # type: ignore[no-untyped-def]
    """A change in any line but the last breaks the chain (the last is the seal's business)."""
    folder = tmp_path_factory.mktemp("record")
    _write(folder, 4).close()
    path = folder / "journal.jsonl"
    raw = bytearray(path.read_bytes())
    end = raw.rstrip(b"\n").rfind(b"\n")
    where = data.draw(st.integers(0, end))
    raw[where] ^= data.draw(st.integers(1, 255))
    path.write_bytes(bytes(raw))
    try:
        record = open_record(folder)
    except RecordError:
        return
    assert record.problems


@given(st.binary(max_size=400))
@settings(max_examples=150)
def test_no_bytes_make_the_reader_fail_otherwise(
    tmp_path_factory: pytest.TempPathFactory, raw: bytes
) -> None:
    folder = tmp_path_factory.mktemp("record")
    (folder / "journal.jsonl").write_bytes(raw)
    with pytest.raises(RecordError):
        open_record(folder)


def test_a_waveform_comes_back_to_the_last_step(tmp_path: Path) -> None:
    import numpy as np

    v = np.round(np.sin(np.linspace(0, 9, 5000)) * 100) * 0.4e-3
    where = store_waveform(tmp_path, "wave", v, 0.4e-3)
    again = load_waveform(tmp_path, where["file"], where["sha256"])
    np.testing.assert_allclose(again, v, rtol=0, atol=1e-12)
    (tmp_path / where["file"]).write_bytes(b"other")
    with pytest.raises(RecordError, match="altered"):
        load_waveform(tmp_path, where["file"], where["sha256"])
    with pytest.raises(RecordError, match="outside"):
        load_waveform(tmp_path, "../../etc/hostname", where["sha256"])
