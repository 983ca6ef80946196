"""``asleft schedule``."""

from __future__ import annotations

import json

import click

from runner.cli.options import bench_option, json_option, profile_option

__all__ = ["schedule"]


@click.command()
@profile_option()
@bench_option()
@click.option("--only", multiple=True, metavar="CHECK", help="Only this check; may be repeated.")
@click.option("--quick", is_flag=True, help="The ten-minute check.")
@json_option()
def schedule(
    profile: str | None, bench: str, only: tuple[str, ...], quick: bool, as_json: bool
) -> int:
    """Show what would be done, in what order, how long, and what needs hands.

    Nothing is opened and nothing is energised.
    """
    from runner.acceptance import load_inputs
    from runner.bench import find_bench
    from runner.checks.check import Conditions
    from runner.schedule import make_schedule

    inputs = load_inputs(find_bench(bench), profile)
    made = make_schedule(Conditions(inputs.profile, inputs.bench, quick), only)
    if as_json:
        click.echo(json.dumps({"format": 1, **made.to_dict()}, ensure_ascii=False))
        return 0
    for number, step in enumerate(made.steps, start=1):
        _print_step(number, step.to_dict())
    for step in made.left_out:
        click.echo(f"    {step.check.name}: left out, {step.plan.left_out}")
    click.echo(
        f"\nabout {made.duration_s / 60:.0f} min at the bench,"
        f" {made.relay_operations} relay operations"
    )
    return 0


def _print_step(number: int, step: dict[str, object]) -> None:
    click.echo(f"{number:2d}. {click.style(str(step['check']), bold=True)}: {step['question']}")
    if step["missing"]:
        click.echo(click.style(f"      not measured: {step['missing']}", fg="yellow"))
        return
    costs = [f"{float(str(step['duration_s'])) / 60:.1f} min"]
    if step["relay_operations"]:
        costs.append(f"{step['relay_operations']} relay operations")
    if step["dissipation_w"]:
        costs.append(f"up to {step['dissipation_w']} W in the load")
    click.echo(f"      {', '.join(costs)}")
    for hand in step["hands"] if isinstance(step["hands"], list) else []:
        click.echo(f"      by hand: {hand}")
