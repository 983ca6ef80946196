"""How either output terminal stands to earth, as a result: hard tie, leak or stray only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

__all__ = ["EarthReference", "Kind", "TerminalReference"]


class Kind(StrEnum):
    """What lies between an output terminal and earth."""

    HARD = "hard tie"
    LEAK = "leak"
    STRAY = "stray only"
    MASKED = "masked by the other terminal's tie"


@dataclass(frozen=True, slots=True)
class TerminalReference:
    """One terminal: ``ohms`` to earth with its interval ``low_ohms`` to ``high_ohms``.

    ``ohms`` is None when only a bound is known; ``high_ohms`` is then infinite.
    """

    kind: Kind
    ohms: float | None
    low_ohms: float
    high_ohms: float


@dataclass(frozen=True, slots=True)
class EarthReference:
    """Both terminals by point name (``unit.plus``, ``unit.minus``)."""

    terminals: Mapping[str, TerminalReference] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data; an infinite bound becomes None."""
        return {
            terminal: {
                "kind": str(one.kind),
                "ohms": one.ohms,
                "low_ohms": one.low_ohms,
                "high_ohms": one.high_ohms if one.high_ohms != float("inf") else None,
            }
            for terminal, one in self.terminals.items()
        }
