"""Joins features, likelihoods, estimates and remedies to what a repairer reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from runner.assess import Assessment
from runner.diagnose.causes import HEALTHY, Cause, applicable
from runner.diagnose.estimates import Estimate, estimates
from runner.diagnose.features import Feature, features_of
from runner.diagnose.likelihood import BAD_LUCK, HEALTHY_P, probabilities, state_p
from runner.diagnose.remedies import CAUTION, Remedy, remedies_for
from runner.finding import Decision, Finding
from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["Diagnosis", "Suspect", "diagnose", "judge_features"]

BAD = {Decision.FAIL, Decision.CONDITIONAL_FAIL}
SHOWN, LEAST_P, ALIKE = 5, 0.02, 3.0
FOR_RATIO = 2.0


@dataclass(frozen=True, slots=True)
class Suspect:
    """One cause: how probable, what speaks for and against it, what to measure next."""

    cause: str
    title: str
    probability: float
    for_: list[str]
    against: list[str]
    next: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "cause": self.cause, "title": self.title, "probability": round(self.probability, 4),
            "for": self.for_, "against": self.against, "next": self.next,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Suspects by probability; ``together`` names pairs that explain more than one alone."""

    suspects: list[Suspect]
    together: list[dict[str, Any]] = field(default_factory=list)
    estimates: list[Estimate] = field(default_factory=list)
    remedies: list[Remedy] = field(default_factory=list)
    summary: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the one object that ``--json`` prints."""
        return {
            "format": 1,
            "summary": self.summary,
            "causes": [one.to_dict() for one in self.suspects],
            "together": self.together,
            "estimates": [one.to_dict() for one in self.estimates],
            "remedies": [one.to_dict() for one in self.remedies],
            "caution": CAUTION,
        }


def diagnose(record: Record, assessment: Assessment) -> Diagnosis:
    """Return the likely causes of what fails in a record; none when nothing fails."""
    findings, profile = assessment.findings, assessment.profile
    failed = [f for f in findings if f.decision in BAD]
    features = features_of(record, findings, profile)
    if not failed and all(one.state in HEALTHY for one in features.values()):
        return Diagnosis([], summary="Nothing fails in this record: nothing is to be explained.")
    suspects, together = judge_features(features, profile, failed)
    kinds = {c.name: c.remedy for c in applicable(profile)}
    wanted = [kinds.get(s.cause, "") for s in suspects if s.probability > 0.1]
    remedies = [one for kind in dict.fromkeys(wanted) for one in remedies_for(kind, profile)]
    return Diagnosis(suspects, together, estimates(findings, profile), remedies, _summary(suspects))


def judge_features(
    features: Mapping[str, Feature], profile: Profile, failed: Sequence[Finding]
) -> tuple[list[Suspect], list[dict[str, Any]]]:
    """Rank the causes that this unit can have."""
    causes = applicable(profile)
    near = sum(_is_near(f) for f in failed)
    present, pairs = probabilities(causes, features, strays=len(failed) - near, near=near)
    by_name = {cause.name: cause for cause in causes}
    suspects = [
        _suspect(by_name.get(name), name, p, features, near, len(failed))
        for name, p in list(present.items())[:SHOWN]
        if p >= LEAST_P
    ]
    told = [{"causes": [a, b], "probability": round(p, 4)} for a, b, p in pairs]
    return suspects, told


def _is_near(f: Finding) -> bool:
    """Whether a failing value lies within its expanded uncertainty of the limit it breaks."""
    if f.value is None or not f.u_expanded:
        return False
    outside = [f.limit_low - f.value] if f.limit_low is not None else []
    outside += [f.value - f.limit_high] if f.limit_high is not None else []
    return bool(outside) and max(outside) <= f.u_expanded


def _suspect(
    cause: Cause | None, name: str, p: float, features: Mapping[str, Feature], near: int, many: int
) -> Suspect:
    if cause is None:
        return _special(name, p, features, near, many)
    speaks, against = [], []
    for key, one in features.items():
        expected = state_p(cause, key, one.state)
        healthy = HEALTHY_P if one.state in HEALTHY else 1 - HEALTHY_P
        if expected > FOR_RATIO * healthy:
            speaks.append(one.says)
        elif expected < healthy / FOR_RATIO or (expected < 0.1 and one.state not in HEALTHY):
            against.append(one.says)
    return Suspect(name, cause.title, p, speaks, against, cause.next)


def _special(name: str, p: float, features: Mapping[str, Feature], near: int, many: int) -> Suspect:
    signs = [one.says for one in features.values() if one.state not in HEALTHY]
    if name == BAD_LUCK:
        return Suspect(
            name, "Nothing wrong: a value at its limit failed within its uncertainty", p,
            [f"{near} of {many} failing values lie within their uncertainty of the limit"],
            signs if near < many else [],
            "Repeat the failing check warm, with slower readings or a better instrument; ask"
            " whether the limit is the maker's or a default.",
        )  # fmt: skip
    return Suspect(
        name, "None of the known causes explains these readings", p,
        signs, [], "Measure by hand from the mains side on: line, raw rail, reference, output.",
    )  # fmt: skip


def _summary(suspects: Sequence[Suspect]) -> str:
    if not suspects:
        return "No cause stands out."
    first = suspects[0]
    alike = [s for s in suspects[1:] if s.probability * ALIKE > first.probability]
    if alike:
        names = "; ".join(s.title for s in (first, *alike))
        return f"Nothing measured tells these apart: {names}. Measure this next: {first.next}"
    return f"Most likely: {first.title} ({first.probability:.0%}). To confirm: {first.next}"
