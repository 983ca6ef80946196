"""What the section of causes says where the readings speak for none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from reports.catalogue import load_strings
from reports.diagnosis import causes_of
from tests.reports import made_record


def test_causes_that_nothing_speaks_for_are_not_printed(tmp_path: Path) -> None:
    record = made_record.write_record(tmp_path / "r")
    assessment = made_record.assessment(record)
    rows = causes_of(record, assessment, load_strings())
    assert "reservoir" in rows[0][0]
    unheard = [
        replace(one, what=f"a quantity without causes {number}") if one.check == "ripple" else one
        for number, one in enumerate(assessment.findings)
    ]
    rows = causes_of(record, replace(assessment, findings=unheard), load_strings())
    assert [title for title, _ in rows] == ["No cause stands out"]
