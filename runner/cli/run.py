"""``asleft run``."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.options import bench_option, json_option, out_option, profile_option, trace_option

__all__ = ["run"]


@click.command()
@profile_option()
@bench_option()
@click.option("--serial", "-s", default="not given", help="The unit's serial number.")
@click.option(
    "--stage", type=click.Choice(["as-found", "as-left"]), default="as-left", show_default=True,
    help="Before any adjustment, or as it goes back.",
)  # fmt: skip
@click.option(
    "--job", "job_file", default=None, help="Job sheet (TOML): customer, complaint, parts."
)
@click.option(
    "--before-power", type=click.Path(path_type=Path, dir_okay=False), default=None,
    help="Values of the safety tester (TOML), instead of typing them in.",
)  # fmt: skip
@click.option("--only", multiple=True, metavar="CHECK", help="Only this check; may be repeated.")
@click.option("--quick", is_flag=True, help="The ten-minute check with what is at hand.")
@click.option("--unattended", is_flag=True, help="Nobody is there: what would be asked stops.")
@click.option("--accept-conditional", is_flag=True, help="Let a conditional pass count as pass.")
@click.option("--no-report", is_flag=True, help="Leave the HTML report out.")
@click.option("--page", is_flag=True, help="Serve the live page meanwhile, on this computer only.")
@trace_option()
@out_option()
@json_option()
def run(
    profile: str | None,
    bench: str,
    serial: str,
    stage: str,
    job_file: str | None,
    before_power: Path | None,
    only: tuple[str, ...],
    quick: bool,
    unattended: bool,
    accept_conditional: bool,
    no_report: bool,
    page: bool,
    trace: Path | None,
    out: Path,
    as_json: bool,
) -> int:
    """Run the acceptance of one unit on this bench.

    The wiring is judged first and nothing is energised while it would do harm. Every reading
    is on disk before the next setting is made; on every way out the load is put off and read
    back.
    """
    from runner.acceptance import Acceptance, load_inputs
    from runner.bench import find_bench
    from runner.cli.pages import Pages
    from runner.cli.running import run_and_print
    from runner.job import load_job
    from runner.job_parts import remarks

    inputs = load_inputs(find_bench(bench), profile)
    job = load_job(job_file, serial=serial, stage=stage)
    for said in (one for part in job.part for one in remarks(part)):
        click.echo(f"job sheet: {said}", err=True)
    pages = Pages(wanted=page, quiet=as_json)
    wanted = Acceptance(
        inputs=inputs,
        job=job,
        out=out,
        only=only,
        quick=quick,
        unattended=unattended,
        accept_conditional=accept_conditional,
        before_power=before_power,
        trace=trace,
        on_folder=pages.begin,
    )
    try:
        return run_and_print(wanted, as_json=as_json, report=not no_report, pages=pages)
    finally:
        pages.end()
