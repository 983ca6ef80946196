"""Joins features, likelihoods, estimates and remedies to what a repairer reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from runner.assess import Assessment
from runner.diagnose.causes import HEALTHY, Cause, applicable
from runner.diagnose.estimates import Estimate, estimates
from runner.diagnose.feature import BAD, Feature, is_near
from runner.diagnose.features import features_of
from runner.diagnose.fitted import kind_of, load_fitted
from runner.diagnose.likelihood import BAD_LUCK, Ranking, StateTable, probabilities
from runner.diagnose.next_measurement import next_between
from runner.diagnose.remedies import CAUTION, Remedy, remedies_for
from runner.diagnose.signs import signs
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["Diagnosis", "Suspect", "diagnose", "judge_features", "rank"]

SHOWN, LEAST_P = 5, 0.02
ALIKE, SAME = 5.0, 1.5
"""Odds within which a cause is not ruled out, and within which nothing decides."""
RIVAL_P = 0.05
"""From here on a second cause is worth being told apart; below, the first is confirmed."""


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
    not_run: list[str] = field(default_factory=list)
    """Checks that the unit kept from running."""

    @property
    def unseen(self) -> str:
        """What this record cannot speak of, in words; empty when all was run."""
        if not self.not_run:
            return ""
        names = ", ".join(self.not_run)
        return (
            f"Not run, since the unit did not do what it was told: {names}. A second fault can"
            " hide there: after the repair run all checks again."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the one object that ``--json`` prints."""
        return {
            "format": 1,
            "summary": self.summary,
            "causes": [one.to_dict() for one in self.suspects],
            "together": self.together,
            "estimates": [one.to_dict() for one in self.estimates],
            "remedies": [one.to_dict() for one in self.remedies],
            "not_run": self.not_run,
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
    suspects = _told_apart(suspects, record, profile)
    kinds = {c.name: c.remedy for c in applicable(profile)}
    wanted = [kinds.get(s.cause, "") for s in suspects if s.probability > 0.1]
    remedies = [
        one for kind in dict.fromkeys(wanted) for one in remedies_for(kind, profile, findings)
    ]
    return Diagnosis(
        suspects,
        together,
        estimates(record, findings, profile, [one.cause for one in suspects]),
        remedies,
        _summary(suspects, together),
        _kept_from_running(record),
    )


def _kept_from_running(record: Record) -> list[str]:
    """Checks that were left out after the unit did not do what it was told."""
    refused = next(record.of_kind("unit-refuses"), None)
    if refused is None:
        return []
    skipped = record.of_kind("check-skipped")
    return [str(line["check"]) for line in skipped if refused["wanted"] in line["reason"]]


def _told_apart(suspects: Sequence[Suspect], record: Record, profile: Profile) -> list[Suspect]:
    """Give each cause the measurement that tells it from the first, the first from the second."""
    told = []
    for number, one in enumerate(suspects):
        rivals = suspects[1:2] if number == 0 else suspects[:1]
        step = next(
            (
                next_between(one.cause, rival.cause, record, profile)
                for rival in rivals
                if rival.probability >= RIVAL_P
            ),
            None,
        )
        told.append(replace(one, next=step) if step is not None else one)
    return told


def judge_features(
    features: Mapping[str, Feature], profile: Profile, failed: Sequence[Finding]
) -> tuple[list[Suspect], list[dict[str, Any]]]:
    """Rank the causes that this unit can have."""
    near = sum(is_near(f) for f in failed)
    table = StateTable(load_fitted(), kind_of(profile))
    ranking = rank(features, profile, failed, table)
    by_name = {cause.name: cause for cause in applicable(profile)}
    suspects = [
        _suspect(by_name[name], p, features, table)
        if name in by_name
        else _special(name, p, features, near, len(failed))
        for name, p in list(ranking.present.items())[:SHOWN]
        if p >= LEAST_P
    ]
    told = [{"causes": [a, b], "probability": round(p, 4)} for a, b, p in ranking.pairs]
    return suspects, told


def rank(
    features: Mapping[str, Feature], profile: Profile, failed: Sequence[Finding], table: StateTable
) -> Ranking:
    """Weigh all causes that this unit can have; ``table`` is that of its kind."""
    near = sum(is_near(f) for f in failed)
    return probabilities(applicable(profile), features, table, strays=len(failed) - near, near=near)


def _suspect(cause: Cause, p: float, features: Mapping[str, Feature], table: StateTable) -> Suspect:
    speaks, against = signs(cause, features, table)
    return Suspect(cause.name, cause.title, p, speaks, against, cause.next)


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


def _summary(suspects: Sequence[Suspect], together: Sequence[Mapping[str, Any]]) -> str:
    """What a repairer reads first; it claims that nothing decides only where nothing does."""
    if not suspects:
        return "No cause stands out."
    if not any(one.for_ for one in suspects):
        return "No cause stands out: nothing that was measured speaks for one more than another."
    first, titles = suspects[0], {s.cause: s.title for s in suspects}
    for pair in together:
        if pair["probability"] > 0.5 and set(pair["causes"]) <= set(titles):
            names = "; ".join(titles[name] for name in pair["causes"])
            return (f"Two causes together explain this best ({pair['probability']:.0%}): {names}."
                    f" Begin with: {first.next}")  # fmt: skip
    others = [s for s in suspects[1:] if s.probability * ALIKE > first.probability]
    if not others:
        return f"Most likely: {first.title} ({first.probability:.0%}). To confirm: {first.next}"
    names = "; ".join(s.title for s in (first, *others))
    if others[0].probability * SAME > first.probability:
        return f"Nothing measured tells these apart: {names}. Measure this next: {first.next}"
    return f"Most likely the first of these, but not for certain: {names}. To decide: {first.next}"
