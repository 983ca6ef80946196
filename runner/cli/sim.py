"""``asleft sim``."""

from __future__ import annotations

import click

from runner.cli.options import bench_option, complete_profile

__all__ = ["sim"]


@click.command()
@click.option(
    "--port-base",
    type=click.IntRange(0, 65000),
    default=5025,
    show_default=True,
    help="First port; each further instrument takes the next. 0 takes free ports.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[:KEY=VALUE,…]",
    help="Switch a fault of the simulated unit on; may be repeated.",
)
@click.option("--seed", type=int, default=None, help="Which of all possible units.")
@click.option(
    "--profile",
    "-p",
    default=None,
    shell_complete=complete_profile,
    help="Put another unit on the bench.",
)
@bench_option(required=False)
def sim(
    port_base: int,
    faults: tuple[str, ...],
    seed: int | None,
    profile: str | None,
    bench: str | None,
) -> int:
    """Serve the simulated bench over TCP until Ctrl-C, in real time.

    Any SCPI client may talk to it; `asleft run` does so with a bench file that holds the
    addresses printed here.
    """
    from runner.acceptance import load_inputs
    from runner.bench import find_bench
    from runner.bench_provider import serve_simulated

    inputs = load_inputs(find_bench(bench or "tcp"), profile)
    serve_simulated(inputs.bench, inputs.profile, port_base, faults, seed, click.echo)
    return 0
