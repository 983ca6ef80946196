"""``asleft demo``."""

from __future__ import annotations

from pathlib import Path

import click

from runner.cli.options import complete_profile, json_option, out_option, trace_option

__all__ = ["demo"]


@click.command()
@click.option(
    "--fault", "faults", multiple=True, metavar="NAME[:KEY=VALUE,…]",
    help="Switch a fault of the simulated unit on; may be given more than once.",
)  # fmt: skip
@click.option(
    "--over", type=click.Choice(["memory", "tcp"]), default="memory", show_default=True,
    help="Reach the simulated instruments in memory or through real sockets.",
)  # fmt: skip
@click.option("--bench", "-b", default=None, help="Another simulated bench file.")
@click.option(
    "--profile", "-p", default=None, shell_complete=complete_profile,
    help="Put another unit on the simulated bench.",
)  # fmt: skip
@click.option("--seed", type=int, default=None, help="Which of all possible units and instruments.")
@click.option("--hand", is_flag=True, help="A simulated hand turns the knob; nothing is remote.")
@click.option("--ask", is_flag=True, help="Ask me; the simulated hand does what I say I did.")
@click.option("--quick", is_flag=True, help="The ten-minute check.")
@click.option("--only", multiple=True, metavar="CHECK", help="Only this check; may be repeated.")
@click.option("--no-report", is_flag=True, help="Leave the HTML report out.")
@trace_option()
@out_option()
@json_option()
def demo(
    faults: tuple[str, ...],
    over: str,
    bench: str | None,
    profile: str | None,
    seed: int | None,
    hand: bool,
    ask: bool,
    quick: bool,
    only: tuple[str, ...],
    no_report: bool,
    trace: Path | None,
    out: Path,
    as_json: bool,
) -> int:
    """Run a whole acceptance on the simulated bench and write its report.

    Nothing real is touched. With --fault the simulated unit has that fault; the acceptance
    should find it. With --hand --ask you can rehearse what a person at the bench is asked.
    """
    from runner.acceptance import Acceptance, load_simulated
    from runner.bench import find_bench
    from runner.cli.running import run_and_print
    from runner.job import Job

    inputs = load_simulated(find_bench(bench or over), profile)
    if hand:
        inputs = inputs.turned_by_hand()
    wanted = Acceptance(
        inputs=inputs,
        job=Job(serial="SIM-0001", complaint="invented: output sags under load"),
        out=out,
        faults=faults,
        seed=seed,
        only=only,
        quick=quick,
        ask=ask,
        trace=trace,
    )
    return run_and_print(wanted, as_json=as_json, report=not no_report)
