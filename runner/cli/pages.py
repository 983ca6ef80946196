"""Serves the live page beside a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Pages"]


class Pages:
    """Starts the live page as a process of its own, so that viewers cost the run nothing."""

    def __init__(self, *, wanted: bool, quiet: bool) -> None:
        self._wanted, self._quiet = wanted, quiet
        self._ends: Callable[[], None] | None = None

    def begin(self, folder: Path) -> None:
        """Say where the record is, and serve its page if that was asked for."""
        if not self._quiet:
            click.echo(f"record: {folder}", err=True)
        if self._wanted:
            from runner.watch.process import serve_beside

            address, self._ends = serve_beside(folder)
            click.echo(f"live page: {address}", err=True)

    def end(self) -> None:
        """Stop serving."""
        if self._ends is not None:
            self._ends()
