"""Runs an acceptance for `demo` and `run`, and prints what came of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from runner.cli.outcome import print_assessment
from runner.cli.pages import Pages
from runner.cli.progress import show_progress

if TYPE_CHECKING:
    from runner.acceptance import Acceptance

__all__ = ["run_and_print"]


def run_and_print(
    wanted: Acceptance, *, as_json: bool, report: bool, pages: Pages | None = None
) -> int:
    """Run, print the findings, write the report beside the record; return the exit code.

    ``pages`` shows what the person is asked on the live page as well.
    """
    from runner.acceptance import run_acceptance

    shown = show_progress(quiet=as_json)
    asking = pages or Pages(wanted=False, quiet=True)
    try:
        outcome = run_acceptance(
            wanted, lambda clock: asking.person(clock, shown.paused), shown, shown.schedule
        )
    finally:
        shown.close()
    if report:
        from reports.html import write_html

        write_html(outcome.record, outcome.assessment, outcome.record.folder / "report.html")
    print_assessment(outcome.record, outcome.assessment, as_json=as_json)
    if report and not as_json:
        click.echo(f"report: {outcome.record.folder / 'report.html'}")
    if outcome.ending.load_off_confirmed is False:
        click.echo(
            "The load could not be confirmed off: switch the unit off at its own switch.", err=True
        )
    return int(outcome.assessment.exit_code)
