"""Builds the document of a report from a record and its assessment."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from reports.background import conditions_of, deviations_of, instrument_rows, rule_sentences
from reports.catalogue import Strings, load_strings
from reports.diagnosis import causes_of
from reports.document import Document, HazardRow
from reports.findings_table import budget_tables, finding_groups
from reports.inert import inert
from reports.numbers import quantity
from reports.plots.choose import plots_of
from reports.plots.style import Plot
from reports.summary import check_rows, left_out_rows, not_tested_rows, result_of
from reports.wiring import wiring_svg
from runner.job import job_parts
from runner.job_parts import part_line, remarks
from runner.profile import Profile
from runner.record.code import short_code
from runner.record.reader import Record

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["build_document"]

Pair = tuple[str, str]
_LEVELS = ("stop", "ask", "note")


def build_document(
    record: Record,
    assessment: Assessment,
    *,
    language: str = "en",
    hookup_svg: str | None = None,
    plots: Sequence[Plot] | None = None,
) -> Document:
    """Gather all that the report says.

    ``plots`` defaults to those each check calls for, ``hookup_svg`` to a drawing of the record's
    own bench.

    :raises InputError: no such language
    """
    strings = load_strings(language)
    summary, findings, profile = assessment.summary, assessment.findings, assessment.profile
    result = result_of(
        findings,
        ended=str(summary.get("ended", "torn off")),
        end_reason=str((record.ending() or {}).get("reason") or ""),
        load_off=summary.get("load_off_confirmed"),
        problems=record.problems,
        strings=strings,
    )
    if plots is None:
        plots = plots_of(record, assessment, strings)
    stage = str(_job(record).get("stage", "as-left"))
    kind = "soak" if "soak" in (record.header.get("options") or {}) else stage.replace("-", "_")
    software = version("asleft")
    document = Document(
        language=language,
        title=strings.get(f"report.title_{kind}", stage),
        simulated=record.simulated,
        code=short_code(record.last_hash),
        printed_by=strings.fill("report.printed_by", version=software),
        unit=_unit_pairs(record, profile, strings),
        job=_job_pairs(record, strings),
        hazards=_hazard_rows(assessment.hazards, strings),
        cautions=list(strings.table["cautions"]["list"]),
        level=result.level,
        headline=result.headline,
        sentences=result.sentences,
        checks=check_rows(findings, strings),
        not_tested=[*not_tested_rows(findings, strings), *left_out_rows(record, strings)],
        groups=finding_groups(findings, plots, strings),
        hookup_svg=wiring_svg(record, profile) if hookup_svg is None else hookup_svg,
        conditions=conditions_of(record, strings),
        instruments=instrument_rows(record, strings),
        budgets=budget_tables(findings, strings),
        deviations=deviations_of(record, strings),
        rule=rule_sentences(profile, strings),
        identity=_identity(record, software, strings),
        causes=causes_of(record, assessment, strings),
    )
    return inert(document)


def _job(record: Record) -> dict[str, Any]:
    job = record.header.get("job")
    return job if isinstance(job, dict) else {}


def _unit_pairs(record: Record, profile: Profile, strings: Strings) -> list[Pair]:
    unit = profile.unit
    ratings = (
        f"{unit.voltage.low:g} … {unit.voltage.high:g} V, "
        f"{unit.current.low:g} … {unit.current.high:g} A, "
        f"{unit.mains.voltage_v:g} V {unit.mains.frequency_hz:g} Hz"
    )
    return [
        (strings.get("unit.maker"), unit.maker),
        (strings.get("unit.model"), unit.model),
        (
            strings.get("unit.serial"),
            str(_job(record).get("serial") or strings.get("report.not_given")),
        ),
        (strings.get("unit.ratings"), ratings),
        (strings.get("unit.kind"), f"{unit.kind}, {unit.output}"),
    ]


def _job_pairs(record: Record, strings: Strings) -> list[Pair]:
    job = _job(record)
    parts = job_parts(job)
    stage = str(job.get("stage", ""))
    listed = {
        key: ", ".join(map(str, job.get(key) or ()))
        for key in ("parts_replaced", "photos", "notes")
    }
    pairs = [
        ("stage", strings.get(f"stage.{stage}", stage)),
        ("date", str(record.header.get("t_utc", ""))[:10]),
        ("customer", str(job.get("customer") or "")),
        ("complaint", str(job.get("complaint") or "")),
        ("parts", ", ".join(filter(None, (listed["parts_replaced"], *map(part_line, parts))))),
        ("part_remarks", "; ".join(one for part in parts for one in remarks(part))),
        ("fuse", str(job.get("fuse") or "")),
        ("line_selector", str(job.get("line_selector") or "")),
        ("photos", listed["photos"]),
        ("notes", listed["notes"]),
    ]
    return [(strings.get(f"unit.{key}"), text) for key, text in pairs if text]


def _gravity(hazard: dict[str, Any]) -> int:
    grade = hazard.get("grade")
    return _LEVELS.index(grade) if grade in _LEVELS else len(_LEVELS)


def _hazard_rows(hazards: Sequence[dict[str, Any]], strings: Strings) -> list[HazardRow]:
    """Hazards, the gravest first."""
    rows = []
    for line in sorted(hazards, key=_gravity):
        grade, value = str(line.get("grade", "note")), line.get("value")
        rows.append(
            HazardRow(
                level=grade,
                grade=strings.get(f"grade.{grade}", grade),
                code=str(line.get("code", "")),
                sentence=str(line.get("sentence", "")),
                figure=quantity(value, str(line.get("unit") or ""))
                if isinstance(value, int | float) else "",
                remedy=str(line.get("remedy") or ""),
            )
        )  # fmt: skip
    return rows


def _identity(record: Record, software: str, strings: Strings) -> list[Pair]:
    ran = f"{record.header.get('software', '')} {record.header.get('software_version', '')}"
    return [
        (strings.get("identity.folder"), record.folder.name),
        (strings.get("identity.lines"), str(record.line_count)),
        (strings.get("identity.hash"), record.last_hash),
        (strings.get("identity.code"), short_code(record.last_hash)),
        (strings.get("identity.software_run"), ran.strip()),
        (strings.get("identity.software_report"), f"asleft {software}"),
    ]
