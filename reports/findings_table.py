"""Findings as rows of text, gathered by check, and their budgets as tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reports.catalogue import Strings
from reports.document import BudgetTable, FindingGroup, FindingRow
from reports.gauge import gauge_svg
from reports.numbers import finding_numbers, percent, scale_for
from reports.plots.style import Plot
from reports.summary import title_of
from runner.finding import Finding

__all__ = ["budget_tables", "finding_groups"]


def finding_groups(
    findings: Sequence[Finding], plots: Sequence[Plot], strings: Strings
) -> list[FindingGroup]:
    """Gather findings and plots by check, in the order in which they come.

    A check of which nothing at all was measured stands among what was not tested, not here.
    """
    groups = []
    for check in dict.fromkeys(finding.check for finding in findings):
        mine = [finding for finding in findings if finding.check == check]
        if all(finding.what == check and finding.value is None for finding in mine):
            continue
        groups.append(
            FindingGroup(
                check=check,
                title=title_of(check, strings),
                rows=_rows(mine, strings),
                sources=list(dict.fromkeys(f.limit_source for f in mine if f.limit_source)),
                plots=[plot for plot in plots if plot.check == check],
            )
        )
    return groups


def _rows(findings: Sequence[Finding], strings: Strings) -> list[FindingRow]:
    rows = []
    for what in dict.fromkeys(finding.what for finding in findings):
        alike = [finding for finding in findings if finding.what == what]
        several = len(alike) > 1 and all(finding.at for finding in alike)
        for index, finding in enumerate(alike):
            heading = strings.phrase(finding.what) if several and index == 0 else ""
            rows.append(_row(finding, heading, "" if several else finding.what, strings))
    return rows


def _row(finding: Finding, heading: str, what: str, strings: Strings) -> FindingRow:
    numbers = finding_numbers(finding)
    return FindingRow(
        heading=heading,
        what=strings.phrase(what),
        at=finding.at,
        value=numbers.value,
        u=numbers.u,
        unit=numbers.unit if numbers.value else "",
        limit=numbers.limit,
        gauge=gauge_svg(finding),
        decision=str(finding.decision),
        decision_text=strings.get(f"decision.{finding.decision}"),
        risk=percent(finding.risk),
        remark=finding.reason,
    )


def budget_tables(findings: Sequence[Finding], strings: Strings) -> list[BudgetTable]:
    """Gather the budgets that have the same contributions into one table each."""
    shapes: dict[tuple[str, str, tuple[str, ...]], list[Finding]] = {}
    for finding in findings:
        if finding.budget:
            names = tuple(str(line.get("name", "")) for line in finding.budget)
            shapes.setdefault((finding.check, finding.unit, names), []).append(finding)
    return [
        _table(title_of(check, strings), unit, names, mine, strings)
        for (check, unit, names), mine in shapes.items()
    ]


def _contribution(line: dict[str, Any]) -> float:
    if "contribution" in line:
        return abs(float(line["contribution"]))
    return abs(float(line.get("u") or 0.0) * float(line.get("sensitivity", 1.0)))


def _table(
    title: str, unit: str, names: tuple[str, ...], findings: Sequence[Finding], strings: Strings
) -> BudgetTable:
    largest = max(f.u_expanded or max(map(_contribution, f.budget)) for f in findings)
    scale = scale_for(largest, unit)
    rows = []
    for finding in findings:
        u = finding.u_expanded / finding.k if finding.u_expanded and finding.k else None
        parts = [
            _part(_contribution(line), finding.u_expanded, scale.factor) for line in finding.budget
        ]
        rows.append(
            [
                f"{strings.phrase(finding.what)} {finding.at}".strip(),
                *parts,
                "" if u is None else f"{u / scale.factor:.3g}",
                _dof(finding.dof),
                "" if finding.k is None else f"{finding.k:.2f}",
                "" if finding.u_expanded is None else f"{finding.u_expanded / scale.factor:.3g}",
            ]
        )
    return BudgetTable(title, scale.unit, list(names), rows, _legend(names, findings, strings))


def _part(contribution: float, u_expanded: float | None, factor: float) -> str:
    """Three digits; what cannot matter beside U is written as 0."""
    if u_expanded and contribution < 1e-6 * u_expanded:
        return "0"
    return f"{contribution / factor:.3g}"


def _dof(dof: float | None) -> str:
    return "∞" if dof is None or dof > 999 else f"{dof:.3g}"


def _legend(names: Sequence[str], findings: Sequence[Finding], strings: Strings) -> list[str]:
    """Say of each contribution its type, distribution and source, once."""
    legend = []
    for index, name in enumerate(names):
        lines = [finding.budget[index] for finding in findings]
        sources = dict.fromkeys(str(line.get("source", "")) for line in lines)
        legend.append(
            strings.fill(
                "budget.line",
                name=name,
                kind=strings.get(f"budget.{str(lines[0].get('kind', 'B')).lower()}", ""),
                distribution=lines[0].get("distribution", "normal"),
                source="; ".join(s for s in list(sources)[:3] if s)
                or strings.get("report.not_given"),
            )
        )
    return legend
