"""Records of another bench copied in, and a folder of old lists, by the command."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from runner.cli.archive import archive
from runner.errors import InputError, RecordError
from runner.record.carried import carry_in
from runner.record.reader import open_record
from tests.reports import made_record


@pytest.fixture
def theirs(tmp_path: Path) -> Path:
    folder = tmp_path / "usb stick" / "LB-2403; rm -rf"
    made_record.write_record(folder)
    (folder / "virus.exe").write_bytes(b"MZ")
    return folder


def run(*args: str) -> Any:
    return CliRunner().invoke(archive, list(args), standalone_mode=False)


def test_a_record_is_copied_whole_and_nothing_else(theirs: Path, tmp_path: Path) -> None:
    out = tmp_path / "ours"
    assert run("import", str(theirs), "--out", str(out)).exception is None
    (folder,) = out.iterdir()
    assert folder.name == "LB-2403_rm_-rf"
    copy, first = open_record(folder), open_record(theirs)
    assert (copy.last_hash, copy.problems) == (first.last_hash, [])
    assert [w.volts().size for w in copy.check("ripple").waveforms] == [10000] * 12
    assert not (folder / "virus.exe").exists()
    assert carry_in(theirs, out).folder == folder  # again: it is there already


def test_an_altered_record_is_not_taken_in(theirs: Path, tmp_path: Path) -> None:
    journal = theirs / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b'"value":231.4', b'"value":230.0'))
    with pytest.raises(RecordError, match="altered"):
        carry_in(theirs, tmp_path / "ours")
    assert not (tmp_path / "ours").exists()


def test_an_altered_waveform_is_not_taken_in(theirs: Path, tmp_path: Path) -> None:
    wave = next(theirs.rglob("*.npz"))
    wave.write_bytes(wave.read_bytes()[:-1] + b"x")
    with pytest.raises(RecordError, match="not taken in"):
        carry_in(theirs, tmp_path / "ours")


def test_another_record_of_that_name_stays(theirs: Path, tmp_path: Path) -> None:
    other = made_record.write_record(tmp_path / "ours" / "LB-2403_rm_-rf", serial="other")
    with pytest.raises(RecordError, match="another record"):
        carry_in(theirs, tmp_path / "ours")
    assert open_record(other.folder).last_hash == other.last_hash


def test_a_folder_of_old_lists_becomes_one_record(tmp_path: Path) -> None:
    lists = tmp_path / "lists"
    lists.mkdir()
    for name, volts in (("1987-a.csv", "5.01"), ("1987-b.csv", "12.02")):
        (lists / name).write_text(f"set [V];output [V]\n{float(volts):.0f};{volts}\n")
    assert isinstance(run("import", str(lists)).exception, InputError)
    out = tmp_path / "ours"
    assert run("import", str(lists), "-p", "lb-2403", "--out", str(out)).exception is None
    (folder,) = out.iterdir()
    record = open_record(folder)
    assert record.header["imported"] is True
    assert [r.value for r in record.check("setting").readings] == [5.01, 12.02]
