"""``asleft report`` and what it writes."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from reports.write import Outputs, write_reports
from runner.assess import Assessment
from runner.cli.report import report
from runner.errors import RecordError
from runner.record.reader import Record
from tests.reports import made_record


def test_without_options_the_page_goes_into_the_record(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    made_record.write_record(folder)
    before = (folder / "journal.jsonl").read_bytes()
    result = CliRunner().invoke(report, [str(folder)], standalone_mode=False)
    assert result.exception is None
    assert result.output.strip() == str(folder / "report.html")
    assert (folder / "report.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert (folder / "journal.jsonl").read_bytes() == before


def test_every_output_at_once(record: Record, assessment: Assessment, tmp_path: Path) -> None:
    names = ("r.html", "r.pdf", "r.csv", "r.parquet", "r.xml", "r.json")
    paths = [tmp_path / name for name in names]
    assert write_reports(record, assessment, Outputs(*paths), paper="Letter") == paths
    starts = (b"<!doctype", b"%PDF", b"seq,", b"PAR1", b"<?xml", b"{")
    for path, start in zip(paths, starts, strict=True):
        assert path.read_bytes().startswith(start)
    assert sorted(tmp_path.iterdir()) == sorted(paths)


def test_a_hostile_serial_leads_nowhere_else(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "r"
    record = made_record.write_record(folder, serial="../../../../tmp/escape")
    assessment = made_record.assessment(record)
    out = tmp_path / "out"
    out.mkdir()
    write_reports(record, assessment, Outputs(html=out / "r.html", csv=out / "r.csv"))
    assert {p.name for p in tmp_path.iterdir()} == {"deep", "out"}
    assert {p.name for p in out.iterdir()} == {"r.html", "r.csv"}


def test_a_folder_that_is_no_record_is_one_sentence(tmp_path: Path) -> None:
    result = CliRunner().invoke(report, [str(tmp_path)], standalone_mode=False)
    assert isinstance(result.exception, RecordError)
    assert "cannot be read" in str(result.exception)


@pytest.mark.parametrize("option", ["--html", "--csv"])
def test_an_unwritable_output_leaves_nothing_half_written(
    record: Record, assessment: Assessment, tmp_path: Path, option: str
) -> None:
    target = tmp_path / "none" / "r"
    with pytest.raises(RecordError, match="cannot be written"):
        write_reports(record, assessment, Outputs(**{option[2:]: target}))
    assert list(tmp_path.iterdir()) == []
