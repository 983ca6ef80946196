"""``asleft assess``."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.options import json_option, profile_option

__all__ = ["assess"]


@click.command()
@click.argument("record", type=click.Path(path_type=Path))
@profile_option()
@click.option("--accept-conditional", is_flag=True, help="Let a conditional pass count as pass.")
@json_option()
def assess(record: Path, profile: str | None, accept_conditional: bool, as_json: bool) -> int:
    """Decide again from RECORD, with its own profile or with another.

    No instrument is needed; the record is not changed.
    """
    from runner.assess import assess as decide
    from runner.cli.outcome import print_assessment
    from runner.profile import find_profile, load_profile
    from runner.record.reader import open_record

    opened = open_record(record)
    limits = load_profile(find_profile(profile)) if profile else None
    assessment = decide(opened, limits, accept_conditional=accept_conditional)
    print_assessment(opened, assessment, as_json=as_json)
    return int(assessment.exit_code)
