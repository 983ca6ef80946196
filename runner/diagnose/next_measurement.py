"""What to measure next: what tells the two leading causes apart and the record does not hold."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from runner.profile import Profile
from runner.quantity import format_quantity
from runner.record.reader import Record

__all__ = ["Clip", "Pair", "next_between", "steps"]

EARTHED = (
    "The scope of this bench has its shells on protective earth: its clip would tie that point to"
    " earth, so use an isolated or differential probe."
)
ISOLATED = "Use an isolated or differential probe."


@dataclass(frozen=True, slots=True)
class Clip:
    """Where to clip with the case open, and which part of the rated voltage may stand there."""

    where: str
    volts: float


@dataclass(frozen=True, slots=True)
class Pair:
    """Holds for each of ``one`` against each of ``other``."""

    one: tuple[str, ...]
    other: tuple[str, ...]
    by_hand: str
    check: str = ""
    by_check: str = ""
    clip: str = ""

    def tells(self, first: str, second: str) -> bool:
        """Whether it separates these two, either way round."""
        return (first in self.one and second in self.other) or (
            second in self.one and first in self.other
        )


@cache
def steps() -> tuple[dict[str, Clip], tuple[Pair, ...]]:
    """Return the places to clip and the pairs, in the table's order."""
    text = Path(__file__).with_name("next.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    clips = {name: Clip(**entry) for name, entry in table["clip"].items()}
    return clips, tuple(_pair(one) for one in table["pair"])


def _pair(entry: dict[str, Any]) -> Pair:
    return Pair(**{**entry, "one": tuple(entry["one"]), "other": tuple(entry["other"])})


def next_between(first: str, second: str, record: Record, profile: Profile) -> str | None:
    """Return the measurement that separates two causes here; None when the table has none.

    A check of this program comes first where the record lacks it; then the measurement by hand,
    where to clip for it, and what the hookup makes of that clip.
    """
    clips, pairs = steps()
    pair = next((one for one in pairs if one.tells(first, second)), None)
    if pair is None:
        return None
    if pair.check and _lacks(record, pair.check):
        return f"The record lacks the check {pair.check}: {pair.by_check}."
    if not pair.clip:
        return pair.by_hand
    return f"{pair.by_hand} {clip_text(clips[pair.clip], record, profile)}"


def clip_text(clip: Clip, record: Record, profile: Profile) -> str:
    """Where to clip, case open, and the hazards of doing so on this bench."""
    most = format_quantity(clip.volts * profile.unit.voltage.high, "V", 2)
    probe = EARTHED if _scope_earthed(record) else ISOLATED
    return f"Case open: {clip.where}; up to about {most} stand there. {probe}"


def _lacks(record: Record, check: str) -> bool:
    data = record.check(check)
    return not data.readings and not data.waveforms


def _scope_earthed(record: Record) -> bool:
    """Whether a scope of the record's bench has earthed inputs; unknown counts as earthed."""
    entries = record.header.get("bench", {}).get("instrument", [])
    scopes = [one for one in entries if one.get("role") == "scope"]
    return any(one.get("reference", "unknown") in {"earthed", "unknown"} for one in scopes)
