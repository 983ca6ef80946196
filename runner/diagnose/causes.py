"""The table of causes: what each predicts, read from the files named in ``TABLES``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from runner.profile import Profile

__all__ = ["HEALTHY", "Cause", "applicable", "load_causes"]

HEALTHY = frozenset({"ok", "none", "no", "quiet"})
"""States that a unit in order shows."""
TABLES = ("causes.toml", "causes_regulator.toml")


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause: ``shows`` are states it is expected to bring, ``may`` states it brings at times.

    Both map a feature to its states. Everything else it leaves as a healthy unit has it.
    """

    name: str
    title: str
    next: str
    shows: dict[str, list[str]] = field(default_factory=dict)
    may: dict[str, list[str]] = field(default_factory=dict)
    only: list[str] = field(default_factory=list)
    prior: float = 1.0
    remedy: str = ""


@cache
def load_causes() -> tuple[Cause, ...]:
    """Return all causes: those of raw side and windings, then those of the regulator."""
    files = (Path(__file__).with_name(name) for name in TABLES)
    tables = (tomllib.loads(file.read_text(encoding="utf-8")) for file in files)
    return tuple(Cause(name, **entry) for table in tables for name, entry in table.items())


def applicable(profile: Profile) -> tuple[Cause, ...]:
    """Causes that a unit of this type can have."""
    unit, taps = profile.unit, profile.tap_points
    here: set[str] = {unit.setting, unit.kind, unit.tap_control}
    if profile.back_feed is not None:
        here.add("back-feed")
    if unit.tap_control in {"relay", "scr"}:
        here.add("taps")
    if taps is not None and len(taps.up) > 1:
        here.add("many-taps")
    return tuple(cause for cause in load_causes() if set(cause.only) <= here)
