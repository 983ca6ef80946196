"""Findings for build servers and programs."""

from __future__ import annotations

import json
from xml.etree import ElementTree as ET

import pytest

from reports.junit import junit_bytes
from reports.plain_json import json_bytes
from runner.assess import Assessment
from runner.finding import Decision
from runner.record.reader import Record
from tests.reports import made_record
from tests.reports.hostile import HOSTILE


def test_cases_failures_and_skips_are_counted_as_the_findings_are(
    record: Record, assessment: Assessment
) -> None:
    root = ET.fromstring(junit_bytes(record, assessment))
    assert "SIMULATED" in root.attrib["name"]
    assert len(root.findall(".//testcase")) == len(assessment.findings)
    failed = [
        f for f in assessment.findings if f.decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL)
    ]
    assert len(root.findall(".//failure")) == len(failed) == 2
    assert len(root.findall(".//skipped")) == 1
    for suite in root.findall("testsuite"):
        assert int(suite.attrib["tests"]) == len(suite.findall("testcase"))
        assert int(suite.attrib["failures"]) == len(suite.findall(".//failure"))
        assert int(suite.attrib["skipped"]) == len(suite.findall(".//skipped"))


def test_a_failure_says_value_uncertainty_and_limit(record: Record, assessment: Assessment) -> None:
    failure = ET.fromstring(junit_bytes(record, assessment)).findall(".//failure")[1]
    assert failure.attrib["type"] == "fail"
    assert failure.attrib["message"].startswith("2.60 ± 0.20 mV, limit ≤ 2")


def test_json_is_the_assessment(record: Record, assessment: Assessment) -> None:
    plain = json.loads(json_bytes(record, assessment))
    assert plain["simulated"] is True
    assert plain["findings"] == [f.to_dict() for f in assessment.findings]


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_text_stays_text(name: str, record: Record) -> None:
    text = HOSTILE[name]
    bad = made_record.finding(text, text, text, 1.0, decision=Decision.FAIL, reason=text)
    assessment = made_record.assessment(record, [bad])
    root = ET.fromstring(junit_bytes(record, assessment))
    assert [e.tag for e in root.iter()] == ["testsuites", "testsuite", "testcase", "failure"]
    raw = junit_bytes(record, assessment).decode()
    assert all(c.isprintable() or c == "\n" for c in raw)
    assert json.loads(json_bytes(record, assessment))["findings"][0]["what"] == text
    assert b"\x1b" not in json_bytes(record, assessment)


def test_half_a_surrogate_pair_breaks_nothing(record: Record) -> None:
    bad = made_record.finding("c", "\ud800", "", 1.0)
    assessment = made_record.assessment(record, [bad])
    assert json.loads(json_bytes(record, assessment))["findings"][0]["what"] == "\ud800"
    ET.fromstring(junit_bytes(record, assessment))
