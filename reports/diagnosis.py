"""What the failures point to, as the report tells it: the first causes and what to measure next."""

from __future__ import annotations

from reports.catalogue import Strings
from runner.assess import Assessment
from runner.diagnose.diagnosis import diagnose
from runner.finding import Decision
from runner.record.reader import Record

__all__ = ["causes_of"]

SHOWN, SIGNS, LEAST_P = 3, 3, 0.05
BAD = {Decision.FAIL, Decision.CONDITIONAL_FAIL}


def causes_of(record: Record, assessment: Assessment, strings: Strings) -> list[tuple[str, str]]:
    """Return a title and a sentence for each of the first causes; nothing when nothing fails."""
    if not any(f.decision in BAD for f in assessment.findings):
        return []
    rows = []
    for one in diagnose(record, assessment).suspects[:SHOWN]:
        if one.probability < LEAST_P:
            continue
        text = strings.fill(
            "causes.evidence",
            supports="; ".join(one.for_[:SIGNS]) or "–",
            against="; ".join(one.against[:SIGNS]) or "–",
            next=one.next,
        )
        rows.append((f"{one.title} ({one.probability:.0%})", text))
    return rows
