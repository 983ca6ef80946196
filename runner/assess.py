"""Decides from the record alone: journal and profile in, findings out.

Touches no instrument and no clock, so a record can be assessed again months later, with other
limits, and gives the same findings for the same inputs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from runner.checks.order import BY_NAME
from runner.checks.walk import SKIPPED
from runner.errors import ExitCode, RecordError
from runner.finding import Decision, Finding
from runner.profile import Profile
from runner.record.reader import CheckData, Record

__all__ = ["Assessment", "assess", "exit_code_of", "findings_of", "summary_of"]


@dataclass(frozen=True, slots=True)
class Assessment:
    """What the record says under one profile."""

    findings: list[Finding]
    hazards: list[dict[str, Any]]
    not_tested: list[tuple[str, str]]
    profile: Profile
    exit_code: ExitCode
    summary: dict[str, Any]

    def to_dict(self, record: Record) -> dict[str, Any]:
        """Return the one object that ``--json`` prints."""
        return {
            "format": 1,
            "record": str(record.folder),
            "simulated": record.simulated,
            "exit": int(self.exit_code),
            "hazards": self.hazards,
            "findings": [finding.to_dict() for finding in self.findings],
            "summary": self.summary,
        }


def findings_of(data: CheckData, profile: Profile) -> list[Finding]:
    """Findings of one check; what could not be measured is a finding too."""
    check = BY_NAME.get(data.name)
    if check is None:
        return [_not_measured(data.name, "this version of the program does not know the check")]
    if data.not_measured is not None:
        return [_not_measured(data.name, data.not_measured)]
    if data.refused is not None:
        return [_refused(data.name, data.refused)]
    if not data.finished and not data.rows:
        return [_not_measured(data.name, "the run ended before the check was complete")]
    found = check.findings(data, profile) + [
        _not_measured(data.name, "skipped by the person at the bench", at=str(event["point"]))
        for event in data.events_of(SKIPPED)
    ]
    return found or [_not_measured(data.name, "the check gave no valid reading")]


def _refused(check: str, line: dict[str, Any]) -> Finding:
    return Finding(
        check=check, what=str(line["wanted"]), at="", value=None, unit="",
        decision=Decision.FAIL, reason=str(line["reason"]),
        limit_source="a unit must do what it is told",
    )  # fmt: skip


def _not_measured(check: str, reason: str, at: str = "") -> Finding:
    return Finding(
        check=check, what=check, at=at, value=None, unit="",
        decision=Decision.NOT_MEASURED, reason=reason,
    )  # fmt: skip


def assess(
    record: Record, profile: Profile | None = None, *, accept_conditional: bool = False
) -> Assessment:
    """Apply a profile (by default the record's own) to a record.

    :raises RecordError: the profile in the record cannot be understood
    """
    profile = profile or _own_profile(record)
    begun = record.check_names()
    findings = [f for name in begun for f in findings_of(record.check(name), profile)]
    findings += [
        _not_measured(name, "the run ended before this check")
        for name in _scheduled(record)
        if name not in begun
    ]
    hazards = [
        {key: value for key, value in line.items() if key not in {"prev", "t_mono_s", "t_utc"}}
        for line in record.of_kind("hazard")
    ]
    end = record.ending()
    code = exit_code_of(findings, end, accept_conditional=accept_conditional)
    not_tested = [(f.check, f.reason) for f in findings if f.decision is Decision.NOT_MEASURED]
    return Assessment(
        findings, hazards, not_tested, profile, code, summary_of(findings, record, end)
    )


def _own_profile(record: Record) -> Profile:
    try:
        return Profile.model_validate(record.header["profile"])
    except (KeyError, ValueError) as error:
        raise RecordError(
            f"the profile in {record.folder} cannot be understood ({error})"
        ) from None


def _scheduled(record: Record) -> list[str]:
    line = next(record.of_kind("schedule"), None)
    return [step["check"] for step in line["steps"]] if line else []


def exit_code_of(
    findings: Iterable[Finding], end: dict[str, Any] | None, *, accept_conditional: bool
) -> ExitCode:
    """Exit code of design section 6 from the findings and from how the run ended."""
    if end is None:
        return ExitCode.BENCH
    how = end.get("how")
    if how != "complete":
        return {
            "hazard": ExitCode.HAZARD,
            "interrupted": ExitCode.INTERRUPTED,
            "refused": ExitCode.FAIL,
        }.get(str(how), ExitCode.BENCH)
    good = {Decision.PASS} | ({Decision.CONDITIONAL_PASS} if accept_conditional else set())
    decisions = [finding.decision for finding in findings]
    return ExitCode.PASS if decisions and all(d in good for d in decisions) else ExitCode.FAIL


def summary_of(
    findings: list[Finding], record: Record, end: dict[str, Any] | None
) -> dict[str, Any]:
    """Counts by decision, the worst findings, how the run ended, whether the load is off."""
    counts = {str(d): sum(f.decision is d for f in findings) for d in Decision}
    safe = list(record.of_kind("safe"))
    bad = [f for f in findings if f.decision in {Decision.FAIL, Decision.CONDITIONAL_FAIL}]
    return {
        "checks": len({f.check for f in findings}),
        "decisions": counts,
        "failed": [f"{f.check}: {f.what} {f.at}".strip() for f in bad],
        "not_measured": [f"{f.check}: {f.reason}" for f in findings
                         if f.decision is Decision.NOT_MEASURED],
        "ended": end.get("how") if end else "torn off",
        "load_off_confirmed": safe[-1].get("load_off_confirmed") if safe else None,
        "bench_time_s": round(record.last_line["t_mono_s"] - record.lines[0]["t_mono_s"], 3),
        "record_problems": record.problems,
        "last_hash": record.last_hash,
    }  # fmt: skip
