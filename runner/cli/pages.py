"""Serves the live page beside a run."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    from runner.clock import Clock
    from runner.operator.requests import Operator

__all__ = ["Pages"]


class Pages:
    """Starts the live page as a process of its own, so that viewers cost the run nothing."""

    def __init__(self, *, wanted: bool, quiet: bool) -> None:
        self._wanted, self._quiet = wanted, quiet
        self._ends: Callable[[], None] | None = None
        self._folder: Path | None = None

    def begin(self, folder: Path) -> None:
        """Say where the record is, and serve its page if that was asked for."""
        if not self._quiet:
            click.echo(f"record: {folder}", err=True)
        if self._wanted:
            self._folder = folder
            from runner.watch.process import serve_beside

            address, self._ends = serve_beside(folder)
            click.echo(f"live page: {address}", err=True)

    def person(
        self, clock: Clock, paused: Callable[[], AbstractContextManager[object]] = nullcontext
    ) -> Operator:
        """Return the person at the terminal; with a page, what is asked stands there too."""
        from runner.operator.terminal import TerminalOperator
        from runner.watch.screen import shown_on_page

        operator = TerminalOperator(paused)
        return shown_on_page(operator, clock, lambda: self._folder) if self._wanted else operator

    def end(self) -> None:
        """Stop serving."""
        if self._ends is not None:
            self._ends()
