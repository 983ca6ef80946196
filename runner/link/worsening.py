"""Notices a link that needs ever more repeats, before it gives a wrong value or dies."""

from __future__ import annotations

__all__ = ["Worsening"]

WINDOW = 50
"""Questions that are counted together."""
MANY = 10
"""Repeats in a window below which nothing is said: one answer lost in seven is borne."""
GROWTH = 2.0
"""How many times the window before it the count must be."""


class Worsening:
    """Counts repeats over windows of questions.

    A steady loss is borne, since each repeat is an answer of its own; a count that doubles from
    one window to the next is an instrument or a cable about to fail.
    """

    def __init__(self) -> None:
        self._asked = self._repeats = 0
        self._before: int | None = None

    def asked(self, repeats: int) -> str:
        """Count a question that took so many repeats; return what is wrong, or nothing."""
        self._asked += 1
        self._repeats += repeats
        if self._asked < WINDOW:
            return ""
        now, before = self._repeats, self._before
        self._asked = self._repeats = 0
        self._before = now
        if before is None or now < MANY or now < GROWTH * before:
            return ""
        return (
            f"the link needs ever more repeats ({now} for the last {WINDOW} questions,"
            f" {before} for the {WINDOW} before): look at cable, pacing (pace_s) and at what else"
            " talks to the instrument"
        )
