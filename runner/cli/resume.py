"""``asleft resume``."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from runner.cli.options import json_option

__all__ = ["resume"]


@click.command()
@click.argument("record", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--serial", "-s", default=None, help="Serial number of the unit on the bench now.")
@click.option("--on-event", "hook", default="", metavar="COMMAND", help="As of `asleft soak`.")
@click.option("--alarm", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="As of `asleft soak`.")  # fmt: skip
@click.option("--page", is_flag=True, help="Serve the live page meanwhile.")
@json_option()
def resume(
    record: Path, serial: str | None, hook: str, alarm: Path | None, page: bool, as_json: bool
) -> int:
    """Go on with a soak that was cut off, in the same record.

    Only with the same unit, the same instruments (by serial number) and the same program; the
    load is proved off first. What will not go on, and why, is said.
    """
    from runner.cli.pages import Pages
    from runner.cli.soak import print_soak
    from runner.resume import read_resumable
    from runner.soak.run import resume_soak, wanted_again

    resumable = read_resumable(record, serial)
    pages = Pages(wanted=page, quiet=as_json)
    wanted = wanted_again(
        resumable, hook=tuple(shlex.split(hook)), alarm=alarm, on_folder=pages.begin
    )
    return print_soak(
        lambda shown: resume_soak(
            resumable, wanted, lambda clock: pages.person(clock, shown.paused), shown,
            shown.schedule,
        ),
        pages,
        as_json=as_json,
    )  # fmt: skip
