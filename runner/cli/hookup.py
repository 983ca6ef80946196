"""``asleft hookup``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import bench_option, json_option, profile_option

if TYPE_CHECKING:
    from runner.hookup import HookupVerdict

__all__ = ["hookup"]

_COLOURS = {"stop": "red", "ask": "yellow", "note": "cyan"}


@click.command()
@profile_option()
@bench_option()
@json_option()
@click.option(
    "--svg", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Write the drawing to this file.",
)  # fmt: skip
def hookup(profile: str | None, bench: str, as_json: bool, svg: Path | None) -> int:
    """List and draw the hazards of this wiring, before anything is energised.

    Returns 3 when one of them means stop.
    """
    from runner.acceptance import load_inputs
    from runner.bench import find_bench
    from runner.errors import ExitCode, InputError
    from runner.hookup import judge
    from runner.hookup.drawing import draw_svg

    inputs = load_inputs(find_bench(bench), profile)
    verdict = judge(inputs.bench, inputs.profile)
    code = ExitCode.HAZARD if verdict.stops else ExitCode.PASS
    if svg is not None:
        drawn = draw_svg(inputs.bench, verdict.graph, verdict.hazards)
        try:
            svg.write_text(drawn, encoding="utf-8")
        except OSError as error:
            raise InputError(
                "the drawing cannot be written", file=svg, found=error.strerror
            ) from None
    if as_json:
        simulated = inputs.bench.simulation is not None
        head = {"format": 1, "record": None, "simulated": simulated, "exit": int(code)}
        click.echo(json.dumps({**head, **verdict.to_dict()}, ensure_ascii=False))
    else:
        _print(verdict)
    return int(code)


def _print(verdict: HookupVerdict) -> None:
    from runner.hookup import CAUTION
    from runner.hookup.plain_text import draw_text

    click.echo(draw_text(verdict.graph, verdict.hazards))
    click.echo("")
    for number, hazard in enumerate(verdict.hazards, start=1):
        grade = str(hazard.grade)
        head = click.style(f"{number}. {grade.upper()}", fg=_COLOURS[grade], bold=True)
        click.echo(f"{head} {hazard.sentence}")
        click.echo(f"   {hazard.remedy}")
        if hazard.defers:
            click.echo("   Local codes and a licensed person have the last word on this.")
    if not verdict.hazards:
        click.echo("No hazard found in this wiring.")
    click.echo(f"\n{CAUTION}")
