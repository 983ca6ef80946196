"""The morning page of a soak: one page, made from the record alone."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reports.catalogue import load_strings
from reports.files import write_whole
from reports.html import render_template
from reports.inert import inert
from reports.numbers import quantity
from reports.plots.over_time import plot_over_time
from reports.plots.style import Plot
from runner.finding import Decision, Finding
from runner.record.code import short_code
from runner.record.reader import Record
from runner.soak.samples import Samples, samples_of
from runner.soak.summary import Drift, drift_of, energy_wh, worst_minute

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["MorningPage", "render_morning", "write_morning"]

EVENTS_SHOWN = 10
RELAY_LIFE = 50_000
"""Low end of data-sheet figures of power relays at rated load, in operations."""
_SAID = {
    "gap": "readings interrupted",
    "clock-step": "the wall clock jumped",
    "silent": "an instrument did not answer",
    "output-event": "event on the output",
    "mode": "the unit left constant voltage",
    "load-off-unasked": "the load went off by itself",
    "load-on-again": "the load was put on again",
    "abort": "stopped by a rule",
}


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


def write_morning(record: Record, assessment: Assessment, path: Path) -> None:
    """Write the page whole or not at all.

    :raises RecordError: the disk refuses it
    """
    write_whole(path, render_morning(record, assessment).encode())


def render_morning(record: Record, assessment: Assessment) -> str:
    """Return the page's text; every value is escaped."""
    samples = samples_of(record.check("soak").rows)
    page = inert(_page(record, assessment, samples))
    return render_template("morning.html.j2", page=page, plots=_plots(samples))


def _page(record: Record, assessment: Assessment, samples: Samples | None) -> MorningPage:
    job = record.header.get("job") or {}
    unit = assessment.profile.unit
    findings = [f for f in assessment.findings if f.check == "soak"]
    events = [e for e in record.check("soak").events if e.get("what") in _SAID]
    headline, level = _verdict(assessment, findings)
    return MorningPage(
        title="The night in one page",
        simulated=record.simulated,
        unit=f"{unit.maker} {unit.model}, serial {job.get('serial', 'not given')}",
        begun=_minute(samples.begun if samples else str(record.header.get("t_utc", ""))),
        headline=headline,
        level=level,
        look_at=tuple(_look_at(assessment, findings, samples)),
        figures=tuple(_figures(record, samples)),
        events=tuple(
            (_minute(str(e.get("t_utc", ""))), _SAID[e["what"]], _detail(e))
            for e in events[:EVENTS_SHOWN]
        ),
        events_left_out=max(0, len(events) - EVENTS_SHOWN),
        code=short_code(record.last_hash),
        record=record.folder.name,
    )


def _minute(utc: str) -> str:
    return f"{utc[:10]} {utc[11:16]} UTC" if len(utc) >= 16 else utc


def _verdict(assessment: Assessment, findings: list[Finding]) -> tuple[str, str]:
    ended = assessment.summary["ended"]
    whole = ended == "complete"
    bad = [
        f
        for f in findings
        if f.decision is Decision.FAIL and (whole or f.what != "share of the soak done")
    ]
    if bad:
        return f"The soak failed: {bad[0].what}", "fail"
    if not whole:
        return f"The soak is not complete: {ended}", "partly"
    if not findings or any(f.decision is not Decision.PASS for f in findings):
        return "The soak is done, not everything could be decided", "partly"
    return "The soak passed", "pass"


def _look_at(assessment: Assessment, findings: list[Finding], samples: Samples | None) -> list[str]:
    """What a person should see to, most important first."""
    said = []
    if assessment.summary["load_off_confirmed"] is False:
        said.append("THE LOAD COULD NOT BE CONFIRMED OFF. Switch the unit off at its own switch.")
    for finding in findings:
        if finding.decision is not Decision.PASS:
            why = finding.reason or f"limit: {finding.limit_source}"
            said.append(f"{finding.what}: {finding.decision}. {why}")
    if samples is not None and samples.gaps:
        said.append(f"{len(samples.gaps)} gap(s) in the readings: look at links and sleep settings")
    said += list(assessment.summary["record_problems"])
    said.append("Begin cold once more before hand-over: switch on, check setting and ripple.")
    return said


def _figures(record: Record, samples: Samples | None) -> list[tuple[str, str]]:
    if samples is None:
        return [("Readings", "none")]
    out_wh, in_wh = energy_wh(samples)
    rows = [
        ("Soaked", f"{_hours(samples.soak_s)} in {len(samples.stages)} stage(s)"),
        ("Rows of readings", f"{samples.t_s.size}, one every {samples.every_s:g} s"),
        ("Gaps, not counted", _gaps(samples)),
        ("Drift after warm-up", _drift(samples)),
        ("Worst minute", _worst(samples)),
        ("Events on the output", str(_count(record, "output-event"))),
        ("Relay operations made on purpose", _relays(record)),
        ("Energy into the load", "not read" if out_wh is None else f"{out_wh:.1f} Wh"),
        ("Energy at the inlet", "not read" if in_wh is None else f"{in_wh:.1f} Wh"),
    ]
    _, heat = samples.read("heatsink-temperature")
    if heat.size:
        rows.append(("Heatsink", f"{heat.min():.1f} to {heat.max():.1f} °C"))
    _, ripple = samples.read("ripple-rms")
    if ripple.size:
        low, high = quantity(float(ripple.min()), "V"), quantity(float(ripple.max()), "V")
        rows.append(("Ripple, rms", f"{low} to {high}, {ripple.size} times"))
    return rows


def _hours(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes:02d} min"


def _gaps(samples: Samples) -> str:
    if not samples.gaps:
        return "none"
    longest = max(length for _, length in samples.gaps)
    whole = sum(length for _, length in samples.gaps)
    resumed = f"; taken up again {samples.resumed} time(s)" if samples.resumed else ""
    return f"{len(samples.gaps)}, {whole:.0f} s in all, longest {longest:.0f} s{resumed}"


def _drift(samples: Samples) -> str:
    found = drift_of(samples)
    if not isinstance(found, Drift):
        return found
    text = f"{1e3 * found.change_v:+.3g} mV in {_hours(found.watched_s)} at {found.set_v:g} V"
    for tau_s, deviation in found.allan.items():
        text += f"; Allan {quantity(deviation, 'V')} at {tau_s:g} s"
    return text.replace("-", "−")


def _worst(samples: Samples) -> str:
    worst = worst_minute(samples)
    if worst is None:
        return "no valid reading"
    deviation = f"{1e3 * worst.deviation_v:+.3g}".replace("-", "−")
    return f"{deviation} mV from its stage's median, {_hours(worst.t_s)} in, stage {worst.stage}"


def _count(record: Record, what: str) -> int:
    return Counter(e.get("what") for e in record.check("soak").events)[what]


def _relays(record: Record) -> str:
    line = next(record.of_kind("schedule"), {})
    planned = sum(int(step.get("relay_operations", 0)) for step in line.get("steps", ()))
    if not planned:
        return "none"
    return f"at most {planned}, {100 * planned / RELAY_LIFE:.2g} % of {RELAY_LIFE:,} (data sheets)"


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


def _plots(samples: Samples | None) -> list[Plot]:
    if samples is None:
        return []
    wanted = (
        ("output-voltage", "Output"), ("inlet-power", "Inlet power"),
        ("heatsink-temperature", "Heatsink"),
    )  # fmt: skip
    series = []
    for name, label in wanted:
        t_s, values = samples.read(name)
        if values.size > 1:
            unit = samples.units[samples.quantities.index(name)]
            series.append((label, unit, t_s, values))
    if not series:
        return []
    stages = ", ".join(f"{s.name} at {s.set_v:g} V" for s in samples.stages)
    return [
        plot_over_time(series, "The night", f"Stages: {stages}.", load_strings("en"), check="soak")
    ]
