"""Shows how far the work is: a bar with time left on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from runner.schedule import Schedule

__all__ = ["Shown", "show_progress"]


class Shown:
    """Told of the schedule once, then of each step; weighs checks by their planned time."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._terminal = sys.stderr.isatty() and not quiet
        self._share: dict[str, tuple[float, float]] = {}
        self._total_s = 0.0
        self._last = self._check = ""
        self._title, self._titled = "Before anything is switched on", ""
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        if self._terminal:
            self._bar, self._task = _make_bar()

    def schedule(self, schedule: Schedule) -> None:
        """Learn what is to come."""
        done_s = 0.0
        for step in schedule.steps:
            if step.plan.missing is None:
                self._share[step.check.name] = (done_s, step.plan.duration_s)
                done_s += step.plan.duration_s
        self._total_s = max(done_s, 1e-9)

    def __call__(self, check: str, fraction: float, doing: str) -> None:
        """Show one step."""
        if check != self._check:
            self._check, self._title = check, doing
        if self._quiet:
            return
        start_s, length_s = self._share.get(check, (0.0, 0.0))
        now_s = start_s + length_s * min(max(fraction, 0.0), 1.0)
        left_s = self._total_s - now_s
        left = f"{left_s / 60:.0f} min" if left_s >= 90 else f"{left_s:.0f} s"
        if self._bar is not None and self._task is not None:
            self._bar.update(
                self._task,
                completed=now_s / self._total_s,
                description=f"{check}: {doing}"[:46],
                left=left,
            )
        elif fraction == 0.0 and check != self._last:
            click.echo(f"{check}: {doing} (bench time left {left})", err=True)
            self._last = check

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Take the bar away while a person is asked, and put it back."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        if self._title != self._titled:
            self._titled = self._title
            click.secho(f"\n{self._title}", bold=True, err=True)
        try:
            yield
        finally:
            self._bar.start()

    def close(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()


def _make_bar() -> tuple[Progress, TaskID]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description:<46}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TextColumn("bench time left {task.fields[left]}"),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    bar.start()
    return bar, bar.add_task("", total=1.0, left="")


def show_progress(*, quiet: bool) -> Shown:
    """Return a display on stderr; ``quiet`` shows nothing."""
    return Shown(quiet)
