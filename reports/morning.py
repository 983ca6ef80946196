"""The morning page of a soak: one page, made from the record alone."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reports.catalogue import Strings, load_strings
from reports.files import write_whole
from reports.html import render_template
from reports.inert import inert
from reports.numbers import quantity
from reports.plots.night import plot_night
from runner.finding import Decision, Finding
from runner.record.code import short_code
from runner.record.reader import Record
from runner.soak.samples import Samples, samples_of
from runner.soak.summary import Drift, drift_of, energy_wh, winding_changes, worst_minute
from runner.soak.wear import CHANGES

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["MorningPage", "render_morning", "write_morning"]

EVENTS_SHOWN = 10
RELAY_LIFE = 50_000
"""Low end of data-sheet figures of power relays at rated load, in operations."""
PLOTTED = ("output-voltage", "inlet-power", "heatsink-temperature")


@dataclass(frozen=True)
class MorningPage:
    """The words and numbers of the page, ready to print."""

    title: str
    simulated: bool
    unit: str
    begun: str
    headline: str
    level: str
    look_at: tuple[str, ...]
    figures: tuple[tuple[str, str], ...]
    events: tuple[tuple[str, str, str], ...]
    events_left_out: int
    code: str
    record: str


def write_morning(record: Record, assessment: Assessment, path: Path, language: str = "en") -> None:
    """Write the page whole or not at all.

    :raises InputError: no such language
    :raises RecordError: the disk refuses it
    """
    write_whole(path, render_morning(record, assessment, language).encode())


def render_morning(record: Record, assessment: Assessment, language: str = "en") -> str:
    """Return the page's text; every value is escaped.

    :raises InputError: no such language
    """
    strings = load_strings(language)
    samples = samples_of(record.check("soak").rows)
    page = inert(_page(record, assessment, samples, strings))
    plots = [] if samples is None else plot_night(samples, strings, PLOTTED)
    return render_template(
        "morning.html.j2", page=page, plots=plots, t=strings.get, language=language
    )


def _page(
    record: Record, assessment: Assessment, samples: Samples | None, strings: Strings
) -> MorningPage:
    job = record.header.get("job") or {}
    unit = assessment.profile.unit
    findings = [f for f in assessment.findings if f.check == "soak"]
    said = strings.table["morning"]["event"]
    events = [e for e in record.check("soak").events if e.get("what") in said]
    headline, level = _verdict(assessment, findings, strings)
    return MorningPage(
        title=strings.get("morning.title"),
        simulated=record.simulated,
        unit=strings.fill(
            "morning.unit", maker=unit.maker, model=unit.model,
            serial=job.get("serial") or strings.get("report.not_given"),
        ),
        begun=_minute(samples.begun if samples else str(record.header.get("t_utc", ""))),
        headline=headline,
        level=level,
        look_at=tuple(_look_at(assessment, findings, samples, strings)),
        figures=tuple(_figures(record, samples, strings)),
        events=tuple(
            (_minute(str(e.get("t_utc", ""))), said[e["what"]], _detail(e))
            for e in events[:EVENTS_SHOWN]
        ),
        events_left_out=max(0, len(events) - EVENTS_SHOWN),
        code=short_code(record.last_hash),
        record=record.folder.name,
    )  # fmt: skip


def _minute(utc: str) -> str:
    return f"{utc[:10]} {utc[11:16]} UTC" if len(utc) >= 16 else utc


def _verdict(assessment: Assessment, findings: list[Finding], strings: Strings) -> tuple[str, str]:
    ended = assessment.summary["ended"]
    whole = ended == "complete"
    bad = [
        f
        for f in findings
        if f.decision is Decision.FAIL and (whole or f.what != "share of the soak done")
    ]
    if bad:
        return strings.fill("morning.failed", what=strings.phrase(bad[0].what)), "fail"
    if not whole:
        how = strings.get(f"ended.{ended}", str(ended))
        return strings.fill("morning.not_complete", how=how), "partly"
    if not findings or any(f.decision is not Decision.PASS for f in findings):
        return strings.get("morning.undecided"), "partly"
    return strings.get("morning.passed"), "pass"


def _look_at(
    assessment: Assessment, findings: list[Finding], samples: Samples | None, strings: Strings
) -> list[str]:
    """What a person should see to, most important first."""
    said = []
    if assessment.summary["load_off_confirmed"] is False:
        said.append(strings.get("morning.load_not_off"))
    for finding in findings:
        if finding.decision is not Decision.PASS:
            said.append(
                strings.fill(
                    "morning.finding", what=strings.phrase(finding.what),
                    decision=strings.get(f"decision.{finding.decision}"),
                    why=finding.reason
                    or strings.fill("morning.limit_from", source=finding.limit_source),
                )
            )  # fmt: skip
    if samples is not None and samples.gaps:
        said.append(strings.fill("morning.gaps", n=len(samples.gaps)))
    said += list(assessment.summary["record_problems"])
    said.append(strings.get("morning.cold_start"))
    return said


def _figures(record: Record, samples: Samples | None, strings: Strings) -> list[tuple[str, str]]:
    def row(key: str, value: str) -> tuple[str, str]:
        return strings.get(f"morning.figure.{key}"), value

    none = strings.get("report.none")
    if samples is None:
        return [row("rows", none)]
    out_wh, in_wh = (
        strings.get("morning.not_read") if wh is None else f"{wh:.1f} Wh"
        for wh in energy_wh(samples)
    )
    soaked = strings.fill("morning.soaked", time=_hours(samples.soak_s), stages=len(samples.stages))
    count = strings.fill("morning.rows", n=samples.t_s.size, every_s=f"{samples.every_s:g}")
    if left_out := samples.left_out():
        count += strings.fill("morning.left_rows", n=left_out)
    events = Counter(e.get("what") for e in record.check("soak").events)
    rows = [
        row("soaked", soaked),
        row("rows", count),
        row("gaps", _gaps(samples, strings)),
        row("drift", _drift(samples, strings)),
        row("worst", _worst(samples, strings)),
        row("events", str(events["output-event"])),
        row("relay", _relays(record, samples, strings)),
        row("energy_out", out_wh),
        row("energy_in", in_wh),
    ]
    _, heat = samples.read("heatsink-temperature")
    if heat.size:
        heated = strings.fill("morning.heat", low=f"{heat.min():.1f}", high=f"{heat.max():.1f}")
        rows.append(row("heat", heated))
    _, ripple = samples.read("ripple-rms")
    if ripple.size:
        low, high = quantity(float(ripple.min()), "V"), quantity(float(ripple.max()), "V")
        text = strings.fill("morning.ripple", low=low, high=high, n=ripple.size)
        rows.append(row("ripple", text))
    return rows


def _hours(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes:02d} min"


def _gaps(samples: Samples, strings: Strings) -> str:
    if not samples.gaps:
        return strings.get("report.none")
    lengths = [length for _, length in samples.gaps]
    text = strings.fill(
        "morning.gap_lengths", n=len(lengths), whole_s=f"{sum(lengths):.0f}",
        longest_s=f"{max(lengths):.0f}",
    )  # fmt: skip
    if samples.resumed:
        text += strings.fill("morning.resumed", n=samples.resumed)
    return text


def _drift(samples: Samples, strings: Strings) -> str:
    found = drift_of(samples)
    if not isinstance(found, Drift):
        return found
    text = strings.fill(
        "morning.drift", change_mv=f"{1e3 * found.change_v:+.3g}", time=_hours(found.watched_s),
        set_v=f"{found.set_v:g}",
    )  # fmt: skip
    for tau_s, deviation in found.allan.items():
        text += strings.fill("morning.allan", value=quantity(deviation, "V"), tau_s=f"{tau_s:g}")
    return text.replace("-", "−")


def _worst(samples: Samples, strings: Strings) -> str:
    worst = worst_minute(samples)
    if worst is None:
        return strings.get("morning.no_valid")
    return strings.fill(
        "morning.worst", deviation_mv=f"{1e3 * worst.deviation_v:+.3g}".replace("-", "−"),
        time=_hours(worst.t_s), stage=worst.stage,
    )  # fmt: skip


def _relays(record: Record, samples: Samples, strings: Strings) -> str:
    """What the plan may cost, what the sensors saw, and its share of a relay's life."""
    line = next(record.of_kind("schedule"), {})
    planned = sum(int(step.get("relay_operations", 0)) for step in line.get("steps", ()))
    changes = [e for e in record.check("soak").events if e.get("what") == CHANGES]
    seen = sum(int(e["count"]) for e in changes)
    unasked = winding_changes(samples)
    if not planned and not changes and not unasked:
        return strings.get("report.none")
    spent = max(seen, 0 if changes else planned) + len(unasked or ())
    parts = [strings.fill("morning.relays_planned", planned=planned)]
    if changes:
        by = ", ".join(sorted({str(e["by"]) for e in changes}))
        parts.append(strings.fill("morning.relays_seen", seen=seen, by=by))
    else:
        parts.append(strings.get("morning.relays_unseen"))
    if unasked is not None:
        parts.append(strings.fill("morning.relays_unasked", n=len(unasked)))
    percent = f"{100 * spent / RELAY_LIFE:.2g}"
    parts.append(strings.fill("morning.relays_life", percent=percent, life=f"{RELAY_LIFE:,}"))
    return "; ".join(parts)


def _detail(event: dict[str, Any]) -> str:
    parts = [
        f"{event[key]}{unit}"
        for key, unit in (
            ("instrument", ""), ("seconds", " s"), ("number", ""), ("mode", ""), ("stage", ""),
            ("why", ""), ("reason", ""),
        )
        if event.get(key) not in (None, "")
    ]  # fmt: skip
    return ", ".join(parts)
