"""Two records side by side: as found against as left, or unit against unit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from reports import series
from reports.catalogue import Strings, load_strings
from reports.inert import inert
from reports.numbers import scale_for
from reports.pairing import Pair, pair_findings
from reports.plots.overlay import plot_overlay
from reports.plots.style import Plot
from reports.summary import title_of
from runner.job import job_parts
from runner.job_parts import Part, voids
from runner.record.code import short_code
from runner.record.reader import Record

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["Comparison", "ComparisonRow", "Side", "compare_records", "overlays", "to_dict"]

Points = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two records with its assessment."""

    record: Record
    assessment: Assessment

    @property
    def label(self) -> str:
        """Serial and stage: what a person calls it."""
        job = self.record.header.get("job") or {}
        return f"{job.get('serial', '?')}, {job.get('stage', '?')}"

    @property
    def stage(self) -> str:
        """As found or as left."""
        return str((self.record.header.get("job") or {}).get("stage", ""))

    @property
    def parts(self) -> list[Part]:
        """Parts that the job sheet says were replaced."""
        job = self.record.header.get("job")
        return job_parts(job) if isinstance(job, dict) else []


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """One pair as text, all numbers in ``unit``."""

    check: str
    what: str
    at: str
    first: str
    second: str
    difference: str
    u: str
    unit: str
    e_n: str
    word: str
    significant: bool
    decisions: str
    void: str
    """Places of replaced parts that end the comparison of this finding."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """All pairs, and what only one of the records has."""

    labels: tuple[str, str]
    heads: tuple[str, str]
    """What the two columns are called: as found and as left, or first and second."""
    codes: tuple[str, str]
    simulated: bool
    pairs: list[Pair]
    rows: list[ComparisonRow]
    only_first: list[str]
    only_second: list[str]
    sentences: list[str]


def compare_records(first: Side, second: Side, language: str = "en") -> Comparison:
    """Pair the findings of two records.

    :raises InputError: no such language
    """
    strings = load_strings(language)
    pairs, alone_first, alone_second = pair_findings(
        first.assessment.findings,
        second.assessment.findings,
        first.record.instruments(),
        second.record.instruments(),
    )

    between = [part for part in second.parts if part not in first.parts]

    def named(findings: Sequence[Any]) -> list[str]:
        return [f"{title_of(f.check, strings)}: {f.what} {f.at}".strip() for f in findings]

    comparison = Comparison(
        labels=(first.label, second.label),
        heads=_heads(first, second, strings),
        codes=(short_code(first.record.last_hash), short_code(second.record.last_hash)),
        simulated=first.record.simulated or second.record.simulated,
        pairs=pairs,
        rows=[_row(pair, strings, between) for pair in pairs],
        only_first=named(alone_first),
        only_second=named(alone_second),
        sentences=_sentences(first, second, pairs, strings, between),
    )
    texts = ("labels", "heads", "rows", "only_first", "only_second", "sentences")
    return replace(comparison, **{name: inert(getattr(comparison, name)) for name in texts})


def _heads(first: Side, second: Side, strings: Strings) -> tuple[str, str]:
    if (first.stage, second.stage) == ("as-found", "as-left"):
        return strings.get("compare.as_found"), strings.get("compare.as_left")
    return strings.get("compare.first"), strings.get("compare.second")


def _sentences(
    first: Side, second: Side, pairs: Sequence[Pair], strings: Strings, between: Sequence[Part]
) -> list[str]:
    significant = sum(
        pair.significant and not voids(between, pair.first.check, pair.first.what) for pair in pairs
    )
    said = [strings.fill("compare.counts", pairs=len(pairs), significant=significant)]
    mended = sum(p.first.decision == "fail" and p.second.decision == "pass" for p in pairs)
    worse = sum(p.first.decision == "pass" and p.second.decision == "fail" for p in pairs)
    if mended:
        said.append(strings.fill("compare.mended", n=mended))
    if worse:
        said.append(strings.fill("compare.worse", n=worse))
    void = [part for part in between if part.touches]
    if void:
        named = ", ".join(f"{part.place} ({', '.join(part.touches)})" for part in void)
        said.append(strings.fill("compare.void_parts", parts=named))
    ours, theirs = first.assessment.profile.unit, second.assessment.profile.unit
    if (ours.maker, ours.model) != (theirs.maker, theirs.model):
        said.append(
            strings.fill(
                "compare.other_type", first=f"{ours.maker} {ours.model}",
                second=f"{theirs.maker} {theirs.model}",
            )
        )  # fmt: skip
    return said


def _row(pair: Pair, strings: Strings, between: Sequence[Part]) -> ComparisonRow:
    first, second = pair.first, pair.second
    void = ", ".join(voids(between, first.check, first.what))
    known = [abs(v) for v in (first.value, second.value, pair.u_expanded) if v is not None]
    scale = scale_for(max(known, default=0.0), first.unit)

    def text(value: float | None, *, signed: bool = False) -> str:
        if value is None:
            return "–"
        return f"{value / scale.factor:{'+' if signed else ''}.4g}".replace("-", "−")

    word = "undecided" if pair.e_n is None else "significant" if pair.significant else "within"
    word = "void" if void else word
    before, after = (strings.get(f"decision.{f.decision}") for f in (first, second))
    return ComparisonRow(
        check=title_of(first.check, strings),
        what=strings.phrase(first.what),
        at=first.at,
        first=text(first.value),
        second=text(second.value),
        difference=text(pair.difference, signed=True),
        u=text(pair.u_expanded),
        unit=scale.unit,
        e_n="–" if pair.e_n is None else f"{pair.e_n:.2f}",
        word=strings.get(f"compare.{word}"),
        significant=pair.significant and not void,
        decisions=before if before == after else f"{before} → {after}",
        void=void,
    )


def to_dict(comparison: Comparison) -> dict[str, Any]:
    """Return the one object that ``--json`` prints."""
    return {
        "format": 1,
        "records": list(comparison.labels),
        "codes": list(comparison.codes),
        "simulated": comparison.simulated,
        "pairs": [
            {
                "check": p.first.check, "what": p.first.what, "at": p.first.at,
                "unit": p.first.unit, "first": p.first.value, "second": p.second.value,
                "difference": p.difference, "u_expanded": p.u_expanded, "e_n": p.e_n,
                "significant": row.significant, "void": row.void,
                "decisions": [str(p.first.decision), str(p.second.decision)],
            }
            for p, row in zip(comparison.pairs, comparison.rows, strict=True)
        ],
        "only_first": comparison.only_first,
        "only_second": comparison.only_second,
    }  # fmt: skip


def overlays(first: Side, second: Side, language: str = "en") -> list[Plot]:
    """Draw what both records have: setting, load line, tap points, ripple, knee, impedance."""
    strings = load_strings(language)
    words = _heads(first, second, strings)
    drawn = []
    for check, title, axes, points_of in _OVERLAYS:
        ours, theirs = points_of(first), points_of(second)
        if ours and theirs:
            labels = (strings.get(axes[0]), strings.get(axes[1]))
            drawn.append(
                plot_overlay(
                    ours, theirs, words, labels, strings.get(title), strings,
                    check=check, joined=check != "tap-map",
                )
            )  # fmt: skip
    return drawn


def _setting(side: Side) -> Points:
    remote = side.assessment.profile.unit.setting == "remote"
    points = series.setting_points(side.record.check("setting"), [], remote=remote)
    return [(p.set_v, 1e3 * p.error_v) for p in points if p.direction == "rising"]


def _load_line(side: Side) -> Points:
    points = series.load_points(side.record.check("load-effect"))
    top_v = max((p.set_v for p in points), default=0.0)
    mine = sorted((p for p in points if p.set_v == top_v), key=lambda p: p.load_a)
    return [(p.load_a, 1e3 * (p.output_v - mine[0].output_v)) for p in mine]


def _ripple(side: Side) -> Points:
    points = series.ripple_points(side.record.check("ripple"))
    most = max((p.share for p in points), default=0.0)
    return [(p.set_v, 1e3 * p.pp_v) for p in points if p.share == most and p.pp_v is not None]


def _taps(direction: str) -> Callable[[Side], Points]:
    def points(side: Side) -> Points:
        found = series.tap_points(side.record.check("tap-map"))
        return [(p.output_v, p.load_a) for p in found if p.direction == direction]

    return points


def _knee(side: Side) -> Points:
    knees = series.knee_points(side.record.check("current-limit"))
    return knees[max(knees)] if knees else []


def _impedance(side: Side) -> Points:
    return series.impedance_points(side.record.check("impedance"))


_Overlay = tuple[str, str, tuple[str, str], Callable[[Side], Points]]
_OVERLAYS: tuple[_Overlay, ...] = (
    ("setting", "compare.setting", ("plot.set_v", "plot.error_mv"), _setting),
    ("load-effect", "compare.load_line", ("plot.load_a", "plot.change_mv"), _load_line),
    ("tap-map", "compare.taps_rising", ("plot.output_v", "plot.load_a"), _taps("rising")),
    ("tap-map", "compare.taps_falling", ("plot.output_v", "plot.load_a"), _taps("falling")),
    ("ripple", "compare.ripple", ("plot.set_v", "plot.ripple.pp_v"), _ripple),
    ("current-limit", "compare.knee", ("plot.knee.x", "plot.knee.y"), _knee),
    ("impedance", "compare.impedance", ("plot.impedance.x", "plot.impedance.y"), _impedance),
)
