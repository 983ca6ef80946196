"""What the section of causes says where the readings speak for none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from reports.catalogue import load_strings
from reports.diagnosis import causes_of
from runner.diagnose.diagnosis import diagnose
from tests.reports import made_record


def test_causes_that_nothing_speaks_for_are_not_printed(tmp_path: Path) -> None:
    record = made_record.write_record(tmp_path / "r")
    assessment = made_record.assessment(record)
    rows = causes_of(record, assessment, load_strings())
    assert any("reservoir" in title for title, _ in rows)
    unheard = [
        replace(one, what=f"a quantity without causes {number}") if one.check == "ripple" else one
        for number, one in enumerate(assessment.findings)
    ]
    rows = causes_of(record, replace(assessment, findings=unheard), load_strings())
    assert [title for title, _ in rows] == ["No cause stands out"]


def test_checks_that_the_unit_kept_from_running_are_named(tmp_path: Path) -> None:
    record = made_record.write_record(tmp_path / "r")
    assessment = made_record.assessment(record)
    assert not diagnose(record, assessment).unseen
    seq = record.lines[-1]["seq"]
    refused = [
        {"seq": seq, "kind": "unit-refuses", "check": "setting", "wanted": "12 V",
         "reason": "asked for 12 V 3 times, the output came to rest at 26 V"},
        {"seq": seq + 1, "kind": "check-skipped", "check": "switching",
         "reason": "no mains source"},
        {"seq": seq + 2, "kind": "check-skipped", "check": "drift",
         "reason": "the unit did not do what it was told in setting: 12 V"},
    ]  # fmt: skip
    stopped = replace(record, lines=[*record.lines, *refused])
    found = diagnose(stopped, assessment)
    assert found.to_dict()["not_run"] == ["drift"]
    assert "told: drift." in found.unseen
    rows = causes_of(stopped, assessment, load_strings())
    assert ("What this record cannot show", found.unseen) in rows
