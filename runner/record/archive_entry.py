"""What the archive keeps of one record: rows made from record and assessment, nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from runner.finding import Decision, Finding
from runner.record.reader import Record

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["Entry", "entry_of", "outcome_of"]

_WORST_FIRST = (
    Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED, Decision.CONDITIONAL_PASS,
    Decision.PASS,
)  # fmt: skip

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """Rows of the four tables for one record."""

    record: Row
    outcomes: list[Row]
    findings: list[Row]
    instruments: list[Row]


def outcome_of(findings: list[Finding]) -> Decision:
    """Return the decision of a check: the worst of its findings'."""
    found = {finding.decision for finding in findings}
    return next((one for one in _WORST_FIRST if one in found), Decision.NOT_MEASURED)


def _text(value: Any) -> str:
    """Text that every database holds: no NUL, no halves of a surrogate pair."""
    return str(value or "").replace("\x00", "").encode(errors="replace").decode()


def first_hash(record: Record) -> str:
    """Hash of the first line, which the second line carries; the last hash when there is one."""
    return str(record.lines[1]["prev"]) if len(record.lines) > 1 else record.last_hash


def entry_of(record: Record, assessment: Assessment) -> Entry:
    """Make the rows of one record."""
    header, unit = record.header, assessment.profile.unit
    job = header.get("job") or {}
    key = {"record_id": _text(first_hash(record))}
    model = _text(unit.model)
    checks = list(dict.fromkeys(f.check for f in assessment.findings))
    row = {
        **key,
        "last_hash": record.last_hash,
        "folder": _text(record.folder.resolve()),
        "maker": _text(unit.maker),
        "model": model,
        "serial": _text(job.get("serial") or "not given"),
        "stage": _text(job.get("stage")),
        "customer": _text(job.get("customer")),
        "begun_utc": _text(header.get("t_utc")),
        "simulated": record.simulated,
        "imported": bool(header.get("imported", False)),
        "ended": _text(assessment.summary.get("ended")),
        "exit_code": int(assessment.exit_code),
        "line_count": record.line_count,
        "software_version": _text(header.get("software_version")),
    }
    return Entry(
        record=row,
        outcomes=[
            {
                **key, "check_name": _text(check), "model": model, "simulated": record.simulated,
                "decision": str(outcome_of([f for f in assessment.findings if f.check == check])),
            }
            for check in checks
        ],
        findings=[_finding(key, i, f) for i, f in enumerate(assessment.findings)],
        instruments=[_instrument(key, n, i) for n, i in record.instruments().items()],
    )  # fmt: skip


def _finding(key: Row, position: int, finding: Finding) -> Row:
    numbers = {n: getattr(finding, n) for n in ("value", "u_expanded", "limit_low", "limit_high")}
    return {
        **key, **numbers, "position": position, "check_name": _text(finding.check),
        "what": _text(finding.what), "at_words": _text(finding.at), "unit": _text(finding.unit),
        "decision": str(finding.decision),
    }  # fmt: skip


def _instrument(key: Row, name: str, line: Row) -> Row:
    fields = ("role", "maker", "model", "serial", "calibration_due")
    return {**key, "name": _text(name), **{field: _text(line.get(field)) for field in fields}}
