"""The report on paper."""

from __future__ import annotations

import pytest

from reports.build import build_document
from reports.pdf import render_pdf
from runner.assess import Assessment
from runner.finding import Decision
from runner.record.reader import Record
from tests.reports import made_record
from tests.reports.hostile import HOSTILE

MEDIA = {
    "A4": b"595.2756 841.8898]",
    "Letter": b"612 792]",
}  # ISO 216 and ANSI/ASME Y14.1, in points


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_whole_pdf_in_the_paper_asked_for(
    record: Record, assessment: Assessment, paper: str
) -> None:
    data = render_pdf(build_document(record, assessment), paper)
    assert data.startswith(b"%PDF-1.7")
    assert data.rstrip().endswith(b"%%EOF")
    assert b"/MediaBox[0 0 " + MEDIA[paper] in data
    assert 5 <= data.count(b"/Type/Page/") <= 12


def test_all_hostile_texts_at_once_are_only_shown(record: Record) -> None:
    # Were any of it read as markup, #panic would stop the setting and #read leave the folder.
    text = " ".join(HOSTILE.values())
    bad = made_record.finding(text, text, text, 1.0, decision=Decision.FAIL, reason=text,
                              limit_source=text, limit_high=0.5)  # fmt: skip
    assessment = made_record.assessment(record, [bad])
    assessment.hazards[0].update(sentence=text, remedy=text, code=text)
    assessment.not_tested.append((text, text))
    record.header["job"]["complaint"] = text
    try:
        data = render_pdf(build_document(record, assessment, plots=[]))
    finally:
        record.header["job"]["complaint"] = made_record.JOB["complaint"]
    assert data.startswith(b"%PDF")
    assert b"/JavaScript" not in data
    assert b"/URI" not in data


def test_an_empty_record_still_prints(record: Record) -> None:
    data = render_pdf(build_document(record, made_record.assessment(record, []), plots=[]))
    assert data.startswith(b"%PDF")
