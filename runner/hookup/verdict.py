"""Judges a wiring: builds the graph, asks every rule, sorts what they found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from runner.bench import Bench
from runner.hookup.earth_reference import EarthReference
from runner.hookup.graph import Graph
from runner.hookup.hazards import Grade, Hazard, Wiring
from runner.hookup.rules import RULES
from runner.hookup.rules.knowledge import earthed_clips
from runner.operator.requests import Confirm
from runner.profile import Profile

__all__ = ["CAUTION", "HookupVerdict", "earthed_leads", "judge", "unproved_earth"]

CAUTION = (
    "This is worked out from what the bench file says; a wire that is not in the file is not in"
    " the sum. It does not replace the local codes, nor the judgement of a licensed person, and"
    " says nothing about the electrical safety of the unit."
)
_ORDER = (Grade.STOP, Grade.ASK, Grade.NOTE)


@dataclass(frozen=True, slots=True)
class HookupVerdict:
    """Hazards of a wiring, the grave ones first, and the graph they were found in."""

    hazards: tuple[Hazard, ...]
    graph: Graph

    @property
    def stops(self) -> tuple[Hazard, ...]:
        """Hazards that end the work before anything is energised."""
        return self._of(Grade.STOP)

    @property
    def asks(self) -> tuple[Hazard, ...]:
        """Hazards that a person must answer for, with a reason."""
        return self._of(Grade.ASK)

    @property
    def notes(self) -> tuple[Hazard, ...]:
        """Hazards that are only said."""
        return self._of(Grade.NOTE)

    def _of(self, grade: Grade) -> tuple[Hazard, ...]:
        return tuple(hazard for hazard in self.hazards if hazard.grade is grade)

    def requests(self) -> tuple[Confirm, ...]:
        """Return one typed confirmation for each ask-grade hazard."""
        return tuple(
            Confirm(
                topic=f"hazard:{hazard.code}",
                text=f"{hazard.sentence} {hazard.remedy} Go on all the same?",
                code=hazard.code,
            )
            for hazard in self.asks
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain data: hazards, counts, and the caution that belongs to them."""
        return {
            "hazards": [hazard.to_dict() for hazard in self.hazards],
            "stops": len(self.stops),
            "asks": len(self.asks),
            "notes": len(self.notes),
            "caution": CAUTION,
        }


def judge(bench: Bench, profile: Profile, measured: EarthReference | None = None) -> HookupVerdict:
    """Work out the hazards of this wiring at the unit's highest output voltage.

    ``measured`` adds what the check ``earth-reference`` found to what the files say.
    """
    wiring = Wiring(bench, profile, measured)
    found = [hazard for rule in RULES for hazard in rule(wiring)]
    ordered = sorted(found, key=lambda hazard: _ORDER.index(hazard.grade))
    return HookupVerdict(tuple(ordered), wiring.graph)


def earthed_leads(bench: Bench, profile: Profile) -> tuple[tuple[str, str], ...]:
    """Leads (instrument's terminal, output terminal) that earth the output.

    They must be off while ``earth-reference`` is measured.
    """
    return tuple(earthed_clips(Wiring(bench, profile)))


def unproved_earth(bench: Bench, profile: Profile, planned: Iterable[str]) -> str | None:
    """Say which lead may not be on the output when ``earth-reference`` is not going to be done.

    ``planned`` holds the names of the checks that will be. None when no lead earths the output.
    """
    leads = earthed_leads(bench, profile)
    if not leads or "earth-reference" in planned:
        return None
    names = " and ".join(lead for lead, _ in leads)
    return (
        f"{names} earths the output, and the check earth-reference, which must come first, is not"
        " going to be done: add it, or take the lead off and out of the bench file"
    )
