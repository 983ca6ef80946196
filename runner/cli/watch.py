"""``asleft watch``."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["watch"]


@click.command()
@click.argument("record", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--host", default="127.0.0.1", show_default=True,
              help="Address to serve on. Any other than this computer's own needs a token, which"
              " is made and printed.")  # fmt: skip
@click.option("--port", type=click.IntRange(0, 65535), default=8470, show_default=True,
              help="Port; 0 takes a free one.")  # fmt: skip
def watch(record: Path, host: str, port: int) -> int:
    """Serve the live page of a record, running or ended, until Ctrl-C.

    Looking costs the run nothing. The page has one control: end safely.
    """
    from runner.watch.process import serve

    serve(record, host, port, click.echo)
    return 0
