"""``asleft soak``."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import bench_option, json_option, out_option, profile_option, trace_option
from runner.cli.pages import Pages

if TYPE_CHECKING:
    from collections.abc import Callable

    from runner.acceptance import Outcome

__all__ = ["print_soak", "seconds", "soak"]

_UNITS = {"s": 1.0, "min": 60.0, "h": 3600.0}


def seconds(typed: str, key: str) -> float:
    """Read a length of time such as ``12h``, ``90 min``, ``10s``.

    :raises InputError: none of these
    """
    from runner.errors import InputError

    text = typed.strip().replace(" ", "")
    for unit in ("min", "h", "s"):
        number = text.removesuffix(unit)
        if number != text:
            try:
                value = float(number) * _UNITS[unit]
            except ValueError:
                break
            if 0 < value < 30 * 86400:
                return value
    raise InputError(
        "this is no length of time", key=key, expected="a time such as 12h, 90min or 10s",
        found=repr(typed),
    )  # fmt: skip


@click.command()
@profile_option()
@bench_option()
@click.option("--for", "length", required=True, metavar="TIME", help="How long, e.g. 12h or 90min.")
@click.option("--every", default="10s", show_default=True, metavar="TIME",
              help="A row of readings so often.")  # fmt: skip
@click.option("--stage", "stages", multiple=True, metavar="NAME",
              help="Only this stage; may be repeated: hold, worst-heat, thermal-cycles,"
              " tap-cycles; or the day after, alone: cold-start.")  # fmt: skip
@click.option("--after", type=click.Path(path_type=Path, exists=True, file_okay=False),
              default=None, metavar="RECORD",
              help="The soak that a cold start follows and is held against.")  # fmt: skip
@click.option("--serial", "-s", default="not given", help="The unit's serial number.")
@click.option("--job", "job_file", default=None, help="Job sheet (TOML).")
@click.option("--guards-done", "guards", default="", metavar="WHERE",
              help="Record or paper in which before-power and earth-reference of this unit on"
              " this wiring are kept; they are not done again.")  # fmt: skip
@click.option("--heatsink-max", type=float, default=90.0, show_default=True, metavar="°C",
              help="The soak stops above it.")  # fmt: skip
@click.option("--not-armed", is_flag=True, help="Do not arm the scope for events on the output.")
@click.option("--on-event", "hook", default="", metavar="COMMAND",
              help="Called without a shell, with event and sentence as arguments.")  # fmt: skip
@click.option("--heartbeat", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="Heartbeat file; by default in the record.")  # fmt: skip
@click.option("--alarm", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="The soak stops, the unit too where it can be switched, when this file appears:"
              " for a smoke sensor or thermal contact.")  # fmt: skip
@click.option("--page", is_flag=True, help="Serve the live page meanwhile, on this computer only.")
@click.option("--fault", "faults", multiple=True, metavar="NAME[:KEY=VALUE,…]",
              help="A fault of a simulated unit.")  # fmt: skip
@click.option("--seed", type=int, default=None, help="Which of all possible simulated units.")
@click.option("--unattended", is_flag=True, help="Nobody is there: what would be asked stops.")
@click.option("--accept-conditional", is_flag=True, help="Let a conditional pass count as pass.")
@trace_option()
@out_option()
@json_option()
def soak(
    profile: str | None, bench: str, length: str, every: str, stages: tuple[str, ...],
    after: Path | None, serial: str, job_file: str | None, guards: str, heatsink_max: float,
    not_armed: bool, hook: str, heartbeat: Path | None, alarm: Path | None, page: bool,
    faults: tuple[str, ...], seed: int | None,
    unattended: bool, accept_conditional: bool, trace: Path | None, out: Path, as_json: bool,
) -> int:  # fmt: skip
    """Run the unit at load for hours, with nobody there.

    Every reading is kept. A second process puts the load off when this one falls silent. A soak
    that was cut off goes on with `asleft resume RECORD`. The morning's page is `morning.html` in
    the record.
    """
    from runner.acceptance import Acceptance, load_inputs
    from runner.bench import find_bench
    from runner.job import load_job
    from runner.soak.cold_start import before_of
    from runner.soak.plan import make_plan
    from runner.soak.run import SoakWanted, run_soak

    inputs = load_inputs(find_bench(bench), profile)
    plan = make_plan(
        inputs.profile, inputs.bench, seconds(length, "--for"), seconds(every, "--every"),
        only=stages, heatsink_max_c=heatsink_max, armed=not not_armed,
    )  # fmt: skip
    job = load_job(job_file, serial=serial, stage="as-left")
    before = before_of(after, job.serial) if after is not None else None
    acceptance = Acceptance(
        inputs=inputs, job=job, out=out,
        faults=faults, seed=seed, unattended=unattended, accept_conditional=accept_conditional,
        trace=trace,
    )  # fmt: skip
    pages = Pages(wanted=page, quiet=as_json)
    wanted = SoakWanted(
        acceptance, plan, guards, before, hook=tuple(shlex.split(hook)), heartbeat=heartbeat,
        alarm=alarm, on_folder=pages.begin,
    )  # fmt: skip
    return print_soak(
        lambda shown: run_soak(
            wanted, lambda clock: pages.person(clock, shown.paused), shown, shown.schedule
        ),
        pages,
        as_json=as_json,
    )


def print_soak(run: Callable[..., Outcome], pages: Pages, *, as_json: bool) -> int:
    """Run, print what came of it, write the morning page; return the exit code."""
    from runner.cli.outcome import print_assessment
    from runner.cli.progress import show_progress

    shown = show_progress(quiet=as_json)
    try:
        outcome = run(shown)
    finally:
        shown.close()
        pages.end()
    morning = outcome.record.folder / "morning.html"
    if outcome.ending.how != "record":
        from reports.morning import write_morning

        write_morning(outcome.record, outcome.assessment, morning)
    print_assessment(outcome.record, outcome.assessment, as_json=as_json)
    if outcome.ending.how != "record" and not as_json:
        click.echo(f"the night in one page: {morning}")
    if outcome.ending.how == "record" or not outcome.ending.recorded:
        said = outcome.ending.reason or "the disk refused the record's end"
        click.echo(f"asleft: {said}", err=True)
    if outcome.ending.load_off_confirmed is False:
        click.echo(
            "The load could not be confirmed off: switch the unit off at its own switch.", err=True
        )
    return int(outcome.assessment.exit_code)
