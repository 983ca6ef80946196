"""One limit applied to readings: what the report and the exit code are made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

__all__ = ["Decision", "Finding"]


class Decision(StrEnum):
    """Outcome words of ILAC-G8:09/2019, and one for what could not be decided."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class Finding:
    """A value, its limit and the decision.

    ``check`` is the check's name, ``what`` the quantity in words, ``at`` the conditions in
    words. ``value``, ``u_expanded``, ``limit_low`` and ``limit_high`` share ``unit``; a side
    without limit is None. ``risk`` is the specific risk of the decision (JCGM 106): of false
    acceptance when it passes, of false rejection when it fails. ``budget`` holds the budget's
    lines as plain data. ``reason`` says why, always when nothing was measured.
    """

    check: str
    what: str
    at: str
    value: float | None
    unit: str
    decision: Decision
    u_expanded: float | None = None
    k: float | None = None
    dof: float | None = None
    limit_low: float | None = None
    limit_high: float | None = None
    risk: float | None = None
    tur: float | None = None
    reason: str = ""
    limit_source: str = ""
    budget: list[dict[str, Any]] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, decision as its word."""
        data = asdict(self)
        data["decision"] = str(self.decision)
        return data

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Finding:
        """Rebuild from plain data."""
        return cls(**{**data, "decision": Decision(data["decision"])})
