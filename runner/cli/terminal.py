"""Text from files and instruments, made harmless for a terminal."""

from __future__ import annotations

__all__ = ["printable"]


def printable(text: str) -> str:
    """Replace control characters (escapes, bells, line ends, text direction) by a sign."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
