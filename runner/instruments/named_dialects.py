"""Whether a bench file's words for its instruments can be: dialect, role, link options."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from runner.errors import InputError
from runner.instruments.dialect_files import load_dialect
from runner.link.options import LinkOptions, link_options
from runner.toml_source import line_of, read_toml

__all__ = ["NamesDialect", "check_named_dialects"]


class NamesDialect(Protocol):
    """An instrument's entry in a bench file, as far as its words are concerned."""

    @property
    def role(self) -> str:
        """What the instrument is used as."""
        ...

    @property
    def address(self) -> str:
        """Where it is, or ``by-hand``."""
        ...

    @property
    def dialect(self) -> str:
        """Name of the dialect, or ``auto``."""
        ...

    @property
    def link(self) -> Mapping[str, Any]:
        """Options of its link."""
        ...


def check_named_dialects(entries: Sequence[NamesDialect], path: Path) -> None:
    """Look each named dialect up before anything is opened.

    :raises InputError: no such dialect, none for the role, or an unknown link option; with the
        bench file's line
    """
    for index, entry in enumerate(entries):
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


def _check(entry: NamesDialect) -> None:
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
