"""``asleft diagnose``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option, profile_option

if TYPE_CHECKING:
    from runner.diagnose.diagnosis import Diagnosis

__all__ = ["diagnose"]


@click.command()
@click.argument("record", type=click.Path(path_type=Path))
@profile_option()
@json_option()
def diagnose(record: Path, profile: str | None, as_json: bool) -> int:
    """Say what the failures in RECORD point to, and what to measure next.

    No instrument is needed; the record is not changed. Probabilities weigh causes against each
    other by how well they explain all readings; they are no proof.
    """
    from runner.assess import assess
    from runner.diagnose.diagnosis import diagnose as explain
    from runner.profile import find_profile, load_profile
    from runner.record.reader import open_record

    opened = open_record(record)
    limits = load_profile(find_profile(profile)) if profile else None
    assessment = assess(opened, limits)
    found = explain(opened, assessment)
    if as_json:
        told = {"record": str(record), "simulated": opened.simulated, **found.to_dict()}
        click.echo(json.dumps(told, ensure_ascii=False, allow_nan=False))
    else:
        _print(found)
    return int(assessment.exit_code)


def _print(found: Diagnosis) -> None:
    from runner.cli.terminal import printable
    from runner.diagnose.remedies import CAUTION
    from runner.quantity import format_quantity

    click.echo(printable(found.summary))
    for one in found.suspects:
        click.echo(click.style(f"\n{one.probability:4.0%}  {one.title}", bold=True))
        for word, sentences in (("for", one.for_), ("against", one.against)):
            for sentence in sentences:
                click.echo(f"      {word:<8} {printable(sentence)}")
        click.echo(f"      next     {printable(one.next)}")
    for pair in found.together:
        click.echo(f"\nTogether ({pair['probability']:.0%}): {' and '.join(pair['causes'])}")
    if found.estimates:
        click.echo(click.style("\nEstimates (95 %)", bold=True))
    for part in found.estimates:
        low, value, high = (
            format_quantity(x, part.unit) for x in (part.low, part.value, part.high)
        )
        click.echo(f"  {printable(part.what)}: {value} ({low} .. {high}), {part.formula}")
    if found.remedies:
        click.echo(click.style("\nRemedies", bold=True))
    for remedy in found.remedies:
        click.echo(f"  {remedy.what} [{remedy.formula}]")
    if found.suspects:
        click.echo(f"\n{CAUTION}")
