"""A feature: one thing that a record shows, as a state that causes can be compared with."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from runner.finding import Decision, Finding

__all__ = [
    "BAD", "EITHER", "FURTHER", "Feature", "Read", "grade", "is_near", "measured", "named", "over",
    "worst",
]  # fmt: skip

BAD = frozenset({Decision.FAIL, Decision.CONDITIONAL_FAIL})
EITHER = " or "
"""Between states that the readings do not tell apart."""
FURTHER = (" far", " very far")
FAR, VERY_FAR = 3.0, 30.0
"""Multiples of the limit from which a failure is called far, and very far, outside."""


@dataclass(frozen=True, slots=True)
class Feature:
    """A state and the number behind it; ``says`` is the sentence a person reads."""

    state: str
    says: str
    value: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


Read = Callable[[Sequence[Finding]], Feature | None]


def named(findings: Iterable[Finding], check: str, *whats: str) -> list[Finding]:
    """Findings of a check whose quantity begins with one of these words."""
    return [f for f in findings if f.check == check and f.what.startswith(whats)]


def measured(findings: Iterable[Finding], check: str, *whats: str) -> list[Finding]:
    """Those of :func:`named` that have a value."""
    return [f for f in named(findings, check, *whats) if f.value is not None]


def is_near(f: Finding) -> bool:
    """Whether a failing value lies within its expanded uncertainty of the limit it breaks."""
    if f.decision not in BAD or f.value is None or not f.u_expanded:
        return False
    outside = [f.limit_low - f.value] if f.limit_low is not None else []
    outside += [f.value - f.limit_high] if f.limit_high is not None else []
    return bool(outside) and max(outside) <= f.u_expanded


def over(f: Finding) -> float:
    """How many times its limit a failing value is; 1 when it does not fail or cannot be said."""
    if f.value is None or f.decision not in BAD:
        return 1.0
    limit = f.limit_low if _is_low(f) else f.limit_high
    if not limit:
        return 1.0
    ratio = abs(f.value / limit)
    return 1.0 / max(ratio, 1e-9) if ratio < 1.0 else ratio


def grade(f: Finding, *, side: bool = True) -> str:
    """State of one finding: ``ok``, ``near``, or on which side and how far it fails.

    ``near`` fails by no more than its uncertainty. ``low``/``high`` (``bad`` without ``side``)
    may be followed by ``far`` or ``very far``.
    """
    if f.decision not in BAD:
        return "ok"
    if is_near(f):
        return "near"
    word = ("low" if _is_low(f) else "high") if side else "bad"
    ratio = over(f)
    return word + (FURTHER[1] if ratio > VERY_FAR else FURTHER[0] if ratio > FAR else "")


def worst(findings: Sequence[Finding]) -> Finding:
    """Return the finding that fails by the largest multiple of its limit, or the first."""
    return max(findings, key=lambda f: (f.decision in BAD, not is_near(f), over(f)))


def _is_low(f: Finding) -> bool:
    return f.limit_low is not None and f.value is not None and f.value < f.limit_low
