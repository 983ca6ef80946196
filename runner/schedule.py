"""Which checks, in what order, how long, what they cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from runner.checks.check import Check, Conditions, Plan
from runner.checks.order import ALL
from runner.errors import InputError

__all__ = ["GUARDS", "RELAY_BUDGET", "Schedule", "Step", "make_schedule"]

RELAY_BUDGET = 400
"""Relay operations one job may cost: 200 pairs, 1 % of a contact's life at the low end of
data-sheet figures (50 000 operations at rated load)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One check of the schedule with its plan."""

    check: Check
    plan: Plan

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the journal and ``--json``."""
        return {
            "check": self.check.name,
            "title": self.check.title,
            "question": self.check.question,
            "duration_s": round(self.plan.duration_s, 1),
            "relay_operations": self.plan.relay_operations,
            "dissipation_w": round(self.plan.dissipation_w, 1),
            "hands": list(self.plan.hands),
            "missing": self.plan.missing,
        }


@dataclass(frozen=True, slots=True)
class Schedule:
    """The ordered steps."""

    steps: tuple[Step, ...]
    left_out: tuple[Step, ...] = ()
    """Checks whose question is not asked, for a reason that a reader must know."""

    @property
    def duration_s(self) -> float:
        """Bench time of all checks that can be done, in seconds."""
        return sum(step.plan.duration_s for step in self.steps if step.plan.missing is None)

    @property
    def relay_operations(self) -> int:
        """Relay operations of all checks that can be done."""
        return sum(step.plan.relay_operations for step in self.steps if step.plan.missing is None)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "duration_s": round(self.duration_s, 1),
            "relay_operations": self.relay_operations,
            "relay_budget": RELAY_BUDGET,
            "steps": [step.to_dict() for step in self.steps],
            "left_out": [
                {"check": step.check.name, "title": step.check.title, "reason": step.plan.left_out}
                for step in self.left_out
            ],
        }


def make_schedule(conditions: Conditions, only: Sequence[str] = ()) -> Schedule:
    """Order the checks for this unit on this bench.

    ``only`` keeps the named checks (and always the ones that guard the others). A check whose
    question does not arise for this unit is left out.

    :raises InputError: a name in ``only`` is not a check, or the relay would wear too much
    """
    names = [check.name for check in ALL]
    for name in only:
        if name not in names:
            raise InputError(
                "there is no such check", key="--only",
                expected="one of " + ", ".join(names), found=repr(name),
            )  # fmt: skip
    chosen = [check for check in ALL if not only or check.name in only or check.name in GUARDS]
    planned = [Step(check, check.plan(conditions)) for check in chosen]
    schedule = Schedule(
        tuple(step for step in planned if step.plan.applies),
        tuple(step for step in planned if not step.plan.applies and step.plan.left_out),
    )
    if schedule.relay_operations > RELAY_BUDGET:
        raise InputError(
            "the schedule would wear the tap relay too much", key="schedule",
            expected=f"at most {RELAY_BUDGET} relay operations",
            found=f"{schedule.relay_operations}",
        )  # fmt: skip
    return schedule


GUARDS = frozenset({"before-power", "earth-reference"})
"""Checks that are done whatever else is asked for: the others rest on them."""
