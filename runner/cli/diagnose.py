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


WIDTH = 80
HANG = " " * 9


def _print(found: Diagnosis) -> None:
    from runner.cli.terminal import printable
    from runner.diagnose.estimate import estimate_text
    from runner.diagnose.remedies import CAUTION

    def say(text: str, first: str = "", hang: str = HANG) -> None:
        for line in _wrapped(printable(text), first, hang):
            click.echo(line)

    say(found.summary, hang="")
    for one in found.suspects:
        click.echo()
        title = _wrapped(printable(one.title), f"{one.probability:4.0%}  ", " " * 6)
        click.echo(click.style("\n".join(title), bold=True))
        for word, sentences in (("for", one.for_), ("against", one.against), ("next", [one.next])):
            for number, sentence in enumerate(sentences):
                say(sentence, f"  {word if not number else '':<8}", " " * 10)
    for pair in found.together:
        click.echo()
        say(
            f"{' and '.join(pair['causes'])}: both at once {pair['probability']:.0%}",
            "  together  ",
        )
    if found.unseen:
        click.echo()
        say(found.unseen, hang="")
    known = [part for part in found.estimates if part.high is not None]
    if known:
        click.echo(click.style("\nEstimates (95 %)", bold=True))
        for part in known:
            say(f"{estimate_text(part)} [{part.formula}]", "  ", "    ")
    unknown = [part for part in found.estimates if part.high is None]
    if unknown:
        click.echo(click.style("\nNot to be had from these readings", bold=True))
        for part in unknown:
            say(f"{part.what}: {part.reason}", "  ", "    ")
    if found.remedies:
        click.echo(click.style("\nRemedies", bold=True))
        for remedy in found.remedies:
            say(f"{remedy.what} [{remedy.formula}]", "  ", "    ")
    if found.suspects:
        click.echo()
        say(CAUTION, hang="")


def _wrapped(text: str, first: str, hang: str) -> list[str]:
    import textwrap

    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=hang, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
