"""The result in words: what a customer reads first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reports.catalogue import Strings
from reports.document import CheckRow
from reports.numbers import finding_numbers
from runner.finding import Decision, Finding
from runner.record.reader import Record

__all__ = [
    "Result",
    "check_rows",
    "left_out_rows",
    "not_tested_rows",
    "result_of",
    "title_of",
    "worst_decision",
]

_WORST_FIRST = (
    Decision.FAIL, Decision.CONDITIONAL_FAIL, Decision.NOT_MEASURED, Decision.CONDITIONAL_PASS,
    Decision.PASS,
)  # fmt: skip
_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Result:
    """Headline and sentences; ``level`` is pass, partly or fail."""

    level: str
    headline: str
    sentences: list[str]


def title_of(check: str, strings: Strings) -> str:
    """Return the check's title in the report's language, else its name."""
    return strings.get(f"check.{check}.title", check)


def not_tested_rows(findings: Sequence[Finding], strings: Strings) -> list[tuple[str, str]]:
    """What was not measured with its reason; findings of one check and reason in one row."""
    rows: dict[tuple[str, str], list[str]] = {}
    for finding in findings:
        if finding.decision is Decision.NOT_MEASURED:
            named = rows.setdefault((finding.check, finding.reason), [])
            if finding.what != finding.check:
                named.append(f"{strings.phrase(finding.what)} {finding.at}".strip())
    return [
        (", ".join([title_of(check, strings), *_few(named)]), reason)
        for (check, reason), named in rows.items()
    ]


def left_out_rows(record: Record, strings: Strings) -> list[tuple[str, str]]:
    """Checks whose question was not asked of this unit, with the reason."""
    line = next(record.of_kind("schedule"), {})
    return [
        (title_of(str(one["check"]), strings), str(one["reason"]))
        for one in line.get("left_out", ())
    ]


def _few(names: Sequence[str], most: int = 3) -> list[str]:
    more = len(names) - most
    return [*names[:most], *([f"+{more}"] if more > 0 else [])]


def worst_decision(findings: Sequence[Finding]) -> Decision:
    """Return the decision that a reader must know first."""
    found = {finding.decision for finding in findings}
    return next((one for one in _WORST_FIRST if one in found), Decision.NOT_MEASURED)


def result_of(
    findings: Sequence[Finding],
    *,
    ended: str,
    end_reason: str = "",
    load_off: bool | None,
    problems: Sequence[str],
    strings: Strings,
) -> Result:
    """Say in words what came out; ``ended`` is how the run ended."""
    level, key = _level(findings, ended)
    said = [_counts(findings, strings)] if findings else []
    for decisions, sentence in (
        ({Decision.FAIL}, "result.failed"),
        ({Decision.CONDITIONAL_FAIL, Decision.CONDITIONAL_PASS}, "result.near"),
        ({Decision.NOT_MEASURED}, "result.not_measured"),
    ):
        named = _named([f for f in findings if f.decision in decisions], strings)
        if named:
            said.append(strings.fill(sentence, what=named))
    if ended != "complete":
        how = strings.get(f"ended.{ended}", ended)
        how += f" ({end_reason})" if end_reason else ""
        said.append(strings.fill("result.ended", how=how))
    if problems:
        said.append(strings.get("result.altered"))
    if load_off is not None:
        said.append(strings.get("result.load_off" if load_off else "result.load_not_off"))
    return Result(level, strings.get(f"result.{key}"), said)


def _level(findings: Sequence[Finding], ended: str) -> tuple[str, str]:
    """Level and headline; the first that applies."""
    found = {finding.decision for finding in findings}
    cases = (
        (Decision.FAIL in found, "fail", "fail"),
        (ended == "hazard", "partly", "hazard"),
        (ended != "complete", "partly", "broken"),
        (not found - {Decision.NOT_MEASURED}, "partly", "nothing"),
        (Decision.CONDITIONAL_FAIL in found, "fail", "fail_conditional"),
        (Decision.NOT_MEASURED in found, "partly", "undecided"),
        (Decision.CONDITIONAL_PASS in found, "partly", "pass_conditional"),
    )
    return next(((level, key) for applies, level, key in cases if applies), ("pass", "pass"))


def _counts(findings: Sequence[Finding], strings: Strings) -> str:
    decided = sum(f.decision is not Decision.NOT_MEASURED for f in findings)
    words = [
        strings.fill(f"decision_many.{one}", n=n)
        for one in Decision
        if (n := sum(f.decision is one for f in findings))
    ]
    return strings.fill(
        "result.counts", decided=decided, total=len(findings), words=", ".join(words)
    )


def _named(findings: Sequence[Finding], strings: Strings) -> str:
    """Name at most a handful, by check."""
    names = []
    for finding in findings:
        title = title_of(finding.check, strings)
        what = "" if finding.what == finding.check else strings.phrase(finding.what)
        names.append(
            ": ".join(part for part in (title, " ".join((what, finding.at)).strip()) if part)
        )
    names = list(dict.fromkeys(names))
    return "; ".join(_few(names, _MOST_NAMED))


def check_rows(findings: Sequence[Finding], strings: Strings) -> list[CheckRow]:
    """One row a check, in the order in which they were done."""
    rows = []
    for check in dict.fromkeys(finding.check for finding in findings):
        mine = [finding for finding in findings if finding.check == check]
        decision = worst_decision(mine)
        rows.append(
            CheckRow(
                name=check,
                title=title_of(check, strings),
                question=strings.get(f"check.{check}.question", ""),
                decision=str(decision),
                decision_text=strings.get(f"decision.{decision}"),
                worst=_closest(mine, strings),
            )
        )
    return rows


def _closest(findings: Sequence[Finding], strings: Strings) -> str:
    """Of the findings that decide the check, the one that uses up most of its limit.

    Counts and mere lower limits are named only where there is nothing else.
    """
    mattering = [f for f in findings if f.decision is worst_decision(findings)]
    shares = [(share, f) for f in mattering if (share := _share_of_limit(f)) is not None]
    numbered = [pair for pair in shares if pair[1].u_expanded and pair[1].limit_high is not None]
    if not shares:
        return next((f.reason for f in mattering if f.reason), "")
    worst = max(numbered or shares, key=lambda pair: pair[0])[1]
    numbers = finding_numbers(worst)
    uncertainty = f" ± {numbers.u}" if numbers.u else ""
    figure = f"{numbers.value}{uncertainty} {numbers.unit}".strip()
    limit = f"{numbers.limit} {numbers.unit}".strip()
    said = f"{strings.phrase(worst.what)} {worst.at}".strip() + f": {figure} ({limit})"
    return (
        said if worst.decision is Decision.PASS or not worst.reason else f"{said}; {worst.reason}"
    )


def _share_of_limit(finding: Finding) -> float | None:
    """How much of the limit the value uses: 1 at the limit, more beyond it."""
    value, low, high = finding.value, finding.limit_low, finding.limit_high
    if value is None or (low is None and high is None):
        return None
    if low is not None and high is not None:
        half = (high - low) / 2
        return abs(value - (high + low) / 2) / half if half > 0 else float("inf")
    if high is not None:
        return value / high if high > 0 else float("inf")
    if low is not None and low > 0:
        return low / value if value > 0 else float("inf")
    return 0.0 if low is not None and value >= low else float("inf")
