"""Prints what a record says: a table for people, or one JSON object."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from runner.cli.terminal import printable
from runner.finding import Decision, Finding

if TYPE_CHECKING:
    from runner.assess import Assessment
    from runner.record.reader import Record

__all__ = ["finding_line", "print_assessment"]

_MARK = {
    Decision.PASS: ("pass", "green"),
    Decision.CONDITIONAL_PASS: ("conditional pass", "yellow"),
    Decision.CONDITIONAL_FAIL: ("conditional fail", "yellow"),
    Decision.FAIL: ("FAIL", "red"),
    Decision.NOT_MEASURED: ("not measured", "cyan"),
}


def print_assessment(record: Record, assessment: Assessment, *, as_json: bool) -> None:
    """Print to stdout."""
    if as_json:
        click.echo(json.dumps(assessment.to_dict(record), ensure_ascii=False, allow_nan=False))
        return
    for hazard in assessment.hazards:
        colour = {"stop": "red", "ask": "yellow"}.get(hazard["grade"], "cyan")
        click.echo(
            click.style(hazard["grade"].upper(), fg=colour, bold=True)
            + f" {printable(hazard['sentence'])}"
        )
        if hazard.get("remedy"):
            click.echo(f"     {printable(hazard['remedy'])}")
    check = ""
    for finding in assessment.findings:
        if finding.check != check:
            check = finding.check
            click.echo(click.style(f"\n{check}", bold=True))
        click.echo(finding_line(finding))
    _closing(record, assessment)


def finding_line(finding: Finding) -> str:
    """One finding on one line."""
    word, colour = _MARK[finding.decision]
    what, at, reason = map(printable, (finding.what, finding.at, finding.reason))
    mark = click.style(f"{word:<16}", fg=colour)
    if finding.value is None:
        return f"  {mark} {what} {at}: {reason}".rstrip()
    from runner.quantity import format_quantity

    text = f"  {mark} {what} {at}: {format_quantity(finding.value, finding.unit)}"
    if finding.u_expanded is not None:
        text += f" ± {format_quantity(finding.u_expanded, finding.unit, 2)}"
    low, high = finding.limit_low, finding.limit_high
    if low is not None and high is not None:
        text += f"  ({format_quantity(low, finding.unit)} .. {format_quantity(high, finding.unit)})"
    elif high is not None:
        text += f"  (at most {format_quantity(high, finding.unit)})"
    elif low is not None:
        text += f"  (at least {format_quantity(low, finding.unit)})"
    return text + (f"  {reason}" if reason else "")


def _closing(record: Record, assessment: Assessment) -> None:
    summary = assessment.summary
    counts = ", ".join(f"{n} {word}" for word, n in summary["decisions"].items() if n)
    unit = assessment.profile.unit
    simulated = " SIMULATED, not a real unit." if record.simulated else ""
    click.echo(
        f"\n{printable(f'{unit.maker} {unit.model}')}: {counts or 'nothing decided'}.{simulated}"
    )
    if summary["ended"] != "complete":
        end = record.ending() or {}
        click.echo(
            f"The run ended early: {summary['ended']}. {printable(end.get('reason', ''))}".rstrip()
        )
    if summary["load_off_confirmed"] is False:
        click.echo(
            click.style(
                "THE LOAD COULD NOT BE CONFIRMED OFF. Switch the unit off at its own switch now.",
                fg="red", bold=True,
            ),
            err=True,
        )  # fmt: skip
    for problem in record.problems:
        click.echo(f"record: {problem}", err=True)
    click.echo(f"record: {record.folder}")
