"""One record against what the archive knows of other units of its type."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from reports.catalogue import Strings, load_strings
from reports.inert import inert
from reports.numbers import scale_for
from reports.pairing import near
from reports.summary import title_of
from runner.finding import Finding
from runner.record.code import short_code

if TYPE_CHECKING:
    from reports.compare import Side

__all__ = ["AgainstType", "TypeHistory", "TypeRow", "against_type", "history_dict", "type_history"]

LEAST_UNITS = 3
"""Fewer other units say nothing about what is usual."""
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class AgainstType:
    """One finding beside the same finding of ``values.size`` other units, in the finding's unit.

    ``u_expanded`` is that of the distance from their mean: the finding's own U and the 95 %
    prediction interval of one more unit, t(n - 1) s √(1 + 1/n) (ISO 16269-8), added in squares.
    ``e_n`` above 1: the unit lies outside what is usual. None where it cannot be said.
    """

    finding: Finding
    values: tuple[float, ...]
    mean: float | None = None
    u_expanded: float | None = None
    e_n: float | None = None

    @property
    def unusual(self) -> bool:
        """Whether it lies outside what is usual for the type."""
        return self.e_n is not None and self.e_n > 1


@dataclass(frozen=True, slots=True)
class TypeRow:
    """One line of the table as text, all numbers in ``unit``."""

    check: str
    what: str
    at: str
    value: str
    mean: str
    units: str
    difference: str
    u: str
    unit: str
    e_n: str
    word: str
    unusual: bool


@dataclass(frozen=True, slots=True)
class TypeHistory:
    """The whole comparison, ready to print."""

    label: str
    code: str
    simulated: bool
    found: list[AgainstType]
    rows: list[TypeRow]
    sentences: list[str]


def against_type(finding: Finding, values: Sequence[float]) -> AgainstType:
    """Compare one finding with the values of other units, one value a unit."""
    from scipy.stats import t

    n = len(values)
    if finding.value is None or n < LEAST_UNITS:
        return AgainstType(finding, tuple(values))
    mean = math.fsum(values) / n
    s = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1))
    spread = float(t.ppf((1 + COVERAGE) / 2, n - 1)) * s * math.sqrt(1 + 1 / n)
    u_expanded = math.hypot(spread, finding.u_expanded or 0.0)
    e_n = abs(finding.value - mean) / u_expanded if u_expanded > 0 else None
    return AgainstType(finding, tuple(values), mean, u_expanded, e_n)


def type_history(
    side: Side, history: Iterable[Mapping[str, Any]], language: str = "en"
) -> TypeHistory:
    """Compare a record with rows of ``Archive.type_findings``.

    :raises InputError: no such language
    """
    strings = load_strings(language)
    by_question: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    units: set[str] = set()
    for row in history:
        units.add(str(row["serial"]))
        if row["value"] is not None:
            key = (str(row["check_name"]), str(row["what"]), str(row["unit"]))
            by_question.setdefault(key, []).append(row)
    findings = [f for f in side.assessment.findings if f.value is not None]
    found = [
        against_type(f, _one_a_unit(f, by_question.get((f.check, f.what, f.unit), ())))
        for f in findings
    ]
    unusual = sum(one.unusual for one in found)
    known = sum(one.e_n is not None for one in found)
    unit = side.assessment.profile.unit
    said = [
        strings.fill(
            "history.counts", model=f"{unit.maker} {unit.model}", units=len(units), known=known,
            findings=len(found), unusual=unusual,
        )
    ]  # fmt: skip
    if known < len(found):
        said.append(strings.fill("history.few", n=len(found) - known, least=LEAST_UNITS))
    history_ = TypeHistory(
        label=side.label,
        code=short_code(side.record.last_hash),
        simulated=side.record.simulated,
        found=found,
        rows=[_row(one, strings) for one in found],
        sentences=said,
    )
    texts = ("label", "rows", "sentences")
    return replace(history_, **{name: inert(getattr(history_, name)) for name in texts})


def _one_a_unit(finding: Finding, rows: Sequence[Mapping[str, Any]]) -> list[float]:
    """Return the value at the nearest place of each unit's record."""
    best: dict[str, tuple[bool, float]] = {}
    for row in rows:
        at, serial = str(row["at_words"]), str(row["serial"])
        exact = at == finding.at
        if (exact or near(at, finding.at)) and not best.get(serial, (False, 0.0))[0]:
            best[serial] = (exact, float(row["value"]))
    return [value for _, value in best.values()]


def _row(one: AgainstType, strings: Strings) -> TypeRow:
    finding = one.finding
    known = [abs(v) for v in (finding.value, one.mean, one.u_expanded) if v is not None]
    scale = scale_for(max(known, default=0.0), finding.unit)

    def text(value: float | None, sign: str = "") -> str:
        return "–" if value is None else f"{value / scale.factor:{sign}.4g}".replace("-", "−")

    difference = None if one.mean is None or finding.value is None else finding.value - one.mean
    word = "few_word" if one.e_n is None else "unusual" if one.unusual else "usual"
    return TypeRow(
        check=title_of(finding.check, strings),
        what=strings.phrase(finding.what),
        at=finding.at,
        value=text(finding.value),
        mean=text(one.mean),
        units=str(len(one.values)),
        difference=text(difference, "+"),
        u=text(one.u_expanded),
        unit=scale.unit,
        e_n="–" if one.e_n is None else f"{one.e_n:.2f}",
        word=strings.get(f"history.{word}"),
        unusual=one.unusual,
    )


def history_dict(history: TypeHistory) -> dict[str, Any]:
    """Return the one object that ``--json`` prints."""
    return {
        "format": 1,
        "record": history.label,
        "code": history.code,
        "simulated": history.simulated,
        "findings": [
            {
                "check": one.finding.check, "what": one.finding.what, "at": one.finding.at,
                "unit": one.finding.unit, "value": one.finding.value, "units": len(one.values),
                "mean": one.mean, "u_expanded": one.u_expanded, "e_n": one.e_n,
                "unusual": one.unusual,
            }
            for one in history.found
        ],
    }  # fmt: skip
