"""``asleft report``."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.options import profile_option

__all__ = ["report"]

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("record", type=click.Path(path_type=Path))
@click.option("--html", type=_FILE, help="One self-contained page.")
@click.option("--pdf", type=_FILE, help="The same on paper.")
@click.option("--csv", type=_FILE, help="Every reading a row.")
@click.option("--parquet", type=_FILE, help="Every reading a row, units in the schema.")
@click.option("--junit", type=_FILE, help="Findings as test cases, for a build server.")
@click.option("--json", "json_file", type=_FILE, help="Findings as one JSON object.")
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
@click.option("--language", default="en", show_default=True, help="Language of the words.")
@profile_option()
def report(
    record: Path,
    html: Path | None,
    pdf: Path | None,
    csv: Path | None,
    parquet: Path | None,
    junit: Path | None,
    json_file: Path | None,
    paper: str,
    language: str,
    profile: str | None,
) -> int:
    """Write reports of RECORD; without options, report.html inside it.

    The record is not changed. With --profile other limits are applied than those it was
    measured under.
    """
    from reports.write import Outputs, write_reports
    from runner.assess import assess
    from runner.profile import find_profile, load_profile
    from runner.record.reader import open_record

    opened = open_record(record)
    limits = load_profile(find_profile(profile)) if profile else None
    outputs = Outputs(html, pdf, csv, parquet, junit, json_file)
    if not outputs.any():
        outputs = Outputs(html=record / "report.html")
    for path in write_reports(
        opened, assess(opened, limits), outputs, paper=paper, language=language
    ):
        click.echo(str(path))
    return 0
