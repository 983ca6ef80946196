"""Takes from text what a terminal, a page or a sheet might obey instead of show."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

__all__ = ["inert", "inert_text"]

T = TypeVar("T")


def inert_text(text: str) -> str:
    """Return the text with control and direction characters replaced by a sign.

    Line feeds stay; other white space becomes a space.
    """
    if text.replace("\n", "").isprintable():
        return text
    return "".join(_inert_character(c) for c in text)


def _inert_character(c: str) -> str:
    if c.isprintable() or c == "\n":
        return c
    return " " if c.isspace() else "\N{REPLACEMENT CHARACTER}"


def inert(value: T) -> T:
    """Return a document (dataclasses, lists, tuples of text) with every text made inert."""
    found: Any = value
    if isinstance(value, str):
        found = inert_text(value)
    elif isinstance(value, list | tuple):
        found = type(value)(inert(one) for one in value)
    elif is_dataclass(value) and not isinstance(value, type):
        found = type(value)(**{f.name: inert(getattr(value, f.name)) for f in fields(value)})
    return found  # type: ignore[no-any-return]
