"""What a remedy says, and the caution that goes with every one."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["CAUTION", "Remedy"]

CAUTION = (
    "Work inside a mains unit is for people trained and permitted for it where they work: unplug,"
    " discharge the reservoir through a resistor and measure that it is empty, use an isolating"
    " transformer and an isolated probe for anything energised. Prove the unit safe with a safety"
    " tester afterwards; this program does not."
)


@dataclass(frozen=True, slots=True)
class Remedy:
    """What to fit or set, and how it was computed."""

    what: str
    formula: str
    caution: str = CAUTION

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)
