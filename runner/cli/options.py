"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

__all__ = [
    "archive_option",
    "bench_option",
    "complete_bench",
    "complete_profile",
    "json_option",
    "out_option",
    "profile_option",
    "trace_option",
]

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def complete_profile(_ctx: click.Context, _param: click.Parameter, typed: str) -> list[str]:
    """Names of profiles for tab completion."""
    from runner.profile import shipped_profiles

    return [p.stem for p in shipped_profiles().glob("*.toml") if p.stem.startswith(typed)]


def complete_bench(_ctx: click.Context, _param: click.Parameter, typed: str) -> list[str]:
    """Names of bench files for tab completion."""
    from runner.profile import shipped_profiles

    found = (shipped_profiles() / "benches").glob("*.toml")
    return [p.stem for p in found if p.stem.startswith(typed)]


def profile_option(*, required: bool = False) -> Decorator:
    """``--profile``."""
    return click.option(
        "--profile", "-p", required=required, shell_complete=complete_profile,
        help="Profile of the unit: a file, or the name of one that comes along. May be left out"
        " where the bench file is simulated and names its unit.",
    )  # fmt: skip


def bench_option(*, required: bool = True) -> Decorator:
    """``--bench``."""
    return click.option(
        "--bench", "-b", required=required, shell_complete=complete_bench,
        help="Bench file: instruments, wires, mains. A file, or the name of one that comes along.",
    )  # fmt: skip


def json_option() -> Decorator:
    """``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object, no more.")


def out_option() -> Decorator:
    """``--out``."""
    return click.option(
        "--out", type=click.Path(path_type=Path, file_okay=False), default=Path("records"),
        show_default=True, help="Folder in which the record's own folder is made.",
    )  # fmt: skip


def archive_option() -> Decorator:
    """``--archive``."""
    return click.option(
        "--archive", "url", metavar="URL", envvar="ASLEFT_ARCHIVE",
        help="Database address; a SQLite file of yours when left out.",
    )  # fmt: skip


def trace_option() -> Decorator:
    """``--trace``."""
    return click.option(
        "--trace", type=click.Path(path_type=Path, dir_okay=False), default=None, metavar="FILE",
        help="Write every message to and from the instruments into this file, byte for byte.",
    )  # fmt: skip
