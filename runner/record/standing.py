"""Which lines of a check still stand: what a person undid is in the journal and does not count.

A check that walks from point to point writes an event ``point`` before each. A line ``undone``
with that point's name takes back everything since; without a name, everything of the check.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

__all__ = ["UNDONE", "standing"]

UNDONE = "undone"
_TAKEN_BACK = frozenset({"reading", "event", "note", "waveform"})


def standing(lines: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return a check's lines without what was undone."""
    kept: list[dict[str, Any]] = []
    begun: dict[str, int] = {}
    for line in lines:
        if line["kind"] == UNDONE:
            point = line.get("point")
            start = 0 if point is None else begun.get(str(point), len(kept))
            kept[start:] = [one for one in kept[start:] if one["kind"] not in _TAKEN_BACK]
            begun = {name: index for name, index in begun.items() if index < start}
            continue
        if line["kind"] == "event" and line.get("what") == "point":
            begun[str(line.get("point"))] = len(kept)
        kept.append(line)
    return kept
