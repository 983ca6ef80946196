"""Findings as JUnit XML, for those who watch a bench in a build server.

One test suite a check, one test case a finding: fail and conditional fail are failures, not
measured is skipped. The element and attribute names are those that build servers read.
"""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from reports.inert import inert_text
from reports.numbers import finding_numbers
from runner.finding import Decision, Finding
from runner.record.reader import Record

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["junit_bytes"]

_FAILURES = {Decision.FAIL, Decision.CONDITIONAL_FAIL}


def junit_bytes(record: Record, assessment: Assessment) -> bytes:
    """Return the XML document, UTF-8."""
    unit = assessment.profile.unit
    simulated = " SIMULATED" if record.simulated else ""
    root = ET.Element("testsuites", name=inert_text(f"{unit.maker} {unit.model}{simulated}"))
    for check, found in groupby(assessment.findings, key=lambda finding: finding.check):
        findings = list(found)
        suite = ET.SubElement(
            root,
            "testsuite",
            name=inert_text(check),
            tests=str(len(findings)),
            failures=str(sum(f.decision in _FAILURES for f in findings)),
            skipped=str(sum(f.decision is Decision.NOT_MEASURED for f in findings)),
            errors="0",
            timestamp=inert_text(str(record.header.get("t_utc", ""))[:19]),
        )
        for finding in findings:
            _case(suite, finding)
    ET.indent(root)
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True))


def _case(suite: ET.Element, finding: Finding) -> None:
    name = inert_text(f"{finding.what} {finding.at}".strip())
    case = ET.SubElement(suite, "testcase", classname=inert_text(finding.check), name=name)
    numbers = finding_numbers(finding)
    text = f"{numbers.value} ± {numbers.u or '?'} {numbers.unit}, limit {numbers.limit or 'none'}"
    words = inert_text("; ".join(part for part in (text, finding.reason) if part))
    if finding.decision in _FAILURES:
        ET.SubElement(case, "failure", type=str(finding.decision), message=words)
    elif finding.decision is Decision.NOT_MEASURED:
        ET.SubElement(case, "skipped", message=inert_text(finding.reason))
    else:
        ET.SubElement(case, "system-out").text = f"{finding.decision}: {words}"
