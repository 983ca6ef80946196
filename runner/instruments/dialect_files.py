"""Finding and choosing dialects."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

from runner.errors import InputError
from runner.instruments.dialect import Dialect
from runner.toml_source import load_model

__all__ = ["dialect_for", "dialect_names", "load_dialect", "matching_dialects", "shipped_dialects"]


def shipped_dialects() -> Path:
    """The folder of the dialects that come along."""
    return Path(__file__).parent / "dialects"


def dialect_names() -> list[str]:
    """Names of the dialects that come along, sorted."""
    return sorted(path.stem for path in shipped_dialects().glob("*.toml"))


@lru_cache(maxsize=64)
def load_dialect(name: str, key: str = "dialect") -> Dialect:
    """Read a dialect by name, or by the path of a file of one's own; ``key`` is who asks.

    :raises InputError: unknown name, or the file's error with its line
    """
    own = Path(name)
    path = own if own.suffix == ".toml" else shipped_dialects() / f"{name}.toml"
    if not path.is_file():
        raise InputError(
            "there is no such dialect",
            key=key,
            expected="auto, a file, or one of " + ", ".join(dialect_names()),
            found=repr(name),
        )
    dialect = load_model(Dialect, path)
    if own.suffix != ".toml" and dialect.name != name:
        raise InputError(
            "a dialect is named as its file",
            file=path,
            key="name",
            expected=repr(name),
            found=repr(dialect.name),
        )
    return dialect


def matching_dialects(identity_text: str, names: Iterable[str] | None = None) -> list[Dialect]:
    """Dialects whose identity patterns are found in the reply, most specific file first.

    The general ``scpi-1999`` is never matched by an identity: it is used on request only.
    """
    found = []
    for name in dialect_names() if names is None else names:
        dialect = load_dialect(name)
        if any(re.search(pattern, identity_text) for pattern in dialect.identity.patterns):
            found.append(dialect)
    return found


def dialect_for(identity_text: str, role: str) -> Dialect:
    """The one dialect for this identity and role.

    :raises InputError: none, or several
    """
    fitting = [one for one in matching_dialects(identity_text) if one.words(role) is not None]
    if len(fitting) == 1:
        return fitting[0]
    said = "no dialect knows it" if not fitting else "several dialects claim it"
    names = [one.name for one in fitting] or dialect_names()
    raise InputError(
        f"{said} as a {role}",
        key="dialect",
        expected="one of " + ", ".join(names) + " (name it in the bench file)",
        found=repr(identity_text),
    )
