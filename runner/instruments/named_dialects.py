"""Whether a bench file's words for its instruments can be: dialect, role, link options."""

from __future__ import annotations

from pathlib import Path

from runner.bench import Bench, Instrument
from runner.errors import InputError
from runner.instruments.dialect_files import load_dialect
from runner.link.options import LinkOptions, link_options
from runner.toml_source import line_of, read_toml

__all__ = ["check_named_dialects"]


def check_named_dialects(bench: Bench, path: Path) -> None:
    """Look each named dialect up before anything is opened.

    :raises InputError: no such dialect, none for the role, or an unknown link option; with the
        bench file's line
    """
    for index, entry in enumerate(bench.instrument):
        try:
            _check(entry)
        except InputError as error:
            if error.file is not None:  # the dialect's own file says where
                raise
            location: tuple[str | int, ...] = ("instrument", index, *str(error.key).split("."))
            raise InputError(
                error.what, file=path, line=line_of(read_toml(path)[1], location),
                key=".".join(str(p + 1) if isinstance(p, int) else p for p in location),
                expected=error.expected, found=error.found,
            ) from None  # fmt: skip


def _check(entry: Instrument) -> None:
    by_hand = entry.address == "by-hand" or entry.role == "second-source"
    link = LinkOptions()
    if entry.dialect != "auto":
        dialect = load_dialect(entry.dialect)
        link = dialect.link
        if not by_hand and dialect.words(entry.role) is None:
            raise InputError(
                f"dialect {dialect.name} has no words for the role {entry.role}", key="dialect",
                expected="one that has, or another role: " + ", ".join(dialect.roles),
                found=repr(entry.dialect),
            )  # fmt: skip
    if not by_hand:
        options = {key: value for key, value in entry.link.items() if key != "library"}
        try:
            link_options(link, options, "")
        except InputError as error:
            raise InputError(
                error.what, key=str(error.key).removeprefix("."), expected=error.expected,
                found=error.found,
            ) from None  # fmt: skip
