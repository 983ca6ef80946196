"""What a report says, as plain text and tables: the HTML and the PDF print the same document."""

from __future__ import annotations

from dataclasses import dataclass, field

from reports.plots.style import Plot

__all__ = [
    "BudgetTable", "CheckRow", "Document", "FindingGroup", "FindingRow", "HazardRow",
    "InstrumentRow",
]  # fmt: skip

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class HazardRow:
    """One hazard; ``grade`` is the word printed, ``level`` is stop, ask or note."""

    level: str
    grade: str
    code: str
    sentence: str
    figure: str
    remedy: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check on the summary page."""

    name: str
    title: str
    question: str
    decision: str
    decision_text: str
    worst: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding, every number as text in the row's unit.

    ``heading`` names the quantity above the first of several rows about it; those rows then
    say only ``at`` which point.
    """

    heading: str
    what: str
    at: str
    value: str
    u: str
    unit: str
    limit: str
    gauge: str
    decision: str
    decision_text: str
    risk: str
    remark: str


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """The findings of one check, and where their limits come from."""

    check: str
    title: str
    rows: list[FindingRow]
    sources: list[str]
    plots: list[Plot] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class BudgetTable:
    """Budgets that share their contributions: one row a finding, one column a contribution."""

    title: str
    unit: str
    contributors: list[str]
    rows: list[list[str]]
    legend: list[str]


@dataclass(frozen=True, slots=True)
class InstrumentRow:
    """One instrument as the journal knows it."""

    name: str
    role: str
    identity: str
    serial: str
    calibration: str
    dialect: str
    proven: str
    accuracy: str


@dataclass(frozen=True, slots=True)
class Document:
    """The whole report. ``level`` of the result is pass, partly or fail."""

    language: str
    title: str
    simulated: bool
    code: str
    printed_by: str
    unit: list[Pair]
    job: list[Pair]
    hazards: list[HazardRow]
    cautions: list[str]
    level: str
    headline: str
    sentences: list[str]
    checks: list[CheckRow]
    not_tested: list[Pair]
    groups: list[FindingGroup]
    hookup_svg: str
    conditions: list[Pair]
    instruments: list[InstrumentRow]
    budgets: list[BudgetTable]
    deviations: list[str]
    rule: list[str]
    identity: list[Pair]
    causes: list[Pair] = field(default_factory=list)
