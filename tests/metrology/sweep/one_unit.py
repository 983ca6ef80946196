"""One drawn unit through the real acceptance; each finding beside its true value."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.acceptance import Acceptance, Inputs, load_inputs, run_acceptance
from runner.assess import assess, findings_of
from runner.bench import find_bench
from runner.checks.setting_findings import off_line_v, output_at
from runner.finding import Finding
from runner.job import Job
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData, Record, WaveformLine, open_record
from tests.metrology.sweep.drawn import Drawn
from tests.metrology.sweep.kept import Truth, keep, kept
from tests.metrology.sweep.true_plant import knee_width_a, plant_of, ripple_rms_v
from tests.metrology.sweep.true_view import TrueView, watched

__all__ = ["CHECKS", "PROFILES", "judged_again", "line_of", "measure_unit"]

PROFILES = ("lb-2403", "lb-3605", "sw-3010", "kn-1502")
CHECKS = (
    "before-power", "earth-reference", "setting", "load-effect", "tap-map", "ripple",
    "current-limit", "transient", "switching", "impedance", "headroom", "source-effect",
)  # fmt: skip


@dataclass(frozen=True)
class TrueWaveform(WaveformLine):
    """A record's line with the wave that was really there."""

    true_v: NDArray[np.float64] | None = None

    def volts(self) -> NDArray[np.float64]:
        """The true wave where it is known, else the record."""
        return super().volts() if self.true_v is None else self.true_v


@cache
def _inputs(name: str) -> Inputs:
    """The profile with the limits proposed by default; tap points stay, they have none."""
    inputs = load_inputs(find_bench("memory"), name)
    kept = {key: value for key, value in inputs.profile.limits.items() if key == "tap-points"}
    return replace(inputs, profile=inputs.profile.model_copy(update={"limits": kept}))


def measure_unit(
    seed: int, *, checks: tuple[str, ...] = CHECKS, quick: bool = True, keep_in: Path | None = None
) -> dict[str, Any]:
    """Draw unit and instruments by seed, run the acceptance, return one line of the sweep.

    Record and truth are put into the folder ``keep_in``, for :func:`judged_again`.
    """
    name = PROFILES[seed % len(PROFILES)]
    inputs = _inputs(name)
    view = TrueView(Drawn(seed))
    with tempfile.TemporaryDirectory(prefix="sweep-") as folder:
        with watched(view):
            wanted = Acceptance(inputs, Job(), Path(folder), seed=seed, only=checks, quick=quick)
            outcome = run_acceptance(wanted, _nobody, lambda *_: None)
            truth = view.truth()
        head = {
            "seed": seed, "profile": name, "quick": quick, "how": outcome.ending.how,
            "reason": outcome.ending.reason,
        }  # fmt: skip
        if keep_in is not None:
            keep(keep_in / f"{seed}{'' if quick else '-long'}", outcome.record.folder, truth, head)
        return line_of(head, outcome.record, outcome.assessment.findings, truth, inputs.profile)


def judged_again(archive: Path, only: tuple[str, ...] = ()) -> dict[str, Any]:
    """The line of a unit whose record was kept, with the findings as they are made now.

    ``only`` these checks; all if none is named.
    """
    with kept(archive) as (folder, truth, head):
        record = open_record(folder)
        if not only:
            assessment = assess(record)
            return line_of(head, record, assessment.findings, truth, assessment.profile)
        profile = _inputs(head["profile"]).profile
        datas = [record.check(name) for name in record.check_names() if name in only]
        findings = [f for data in datas for f in findings_of(data, profile)]
        return line_of(head, record, findings, truth, profile)


def _nobody(_clock: Any) -> Any:
    raise RuntimeError("a simulated bench brings its own person")


def line_of(
    head: dict[str, Any], record: Record, findings: Sequence[Finding], truth: Truth,
    profile: Profile,
) -> dict[str, Any]:  # fmt: skip
    """The line of one unit: its findings, each beside its true value."""
    rows = []
    by_plant = _by_plant(head, record, truth, {f.check for f in findings})
    for check in record.check_names():
        found = [f for f in findings if f.check == check]
        if not found:
            continue
        data = record.check(check)
        true = _true_findings(data, truth, profile)
        alike: dict[str, int] = {}
        for finding in found:
            number = alike[finding.what] = alike.get(finding.what, -1) + 1
            value = _true_value(finding, number, true, truth)
            if finding.what == "bend":
                value = _true_bend(finding, data, truth)
            if (check, finding.what) in by_plant:
                value = by_plant[check, finding.what][number]  # one a place, as the findings
            rows.append(_row(finding, value))
    return {**head, "findings": rows}


def _by_plant(
    head: dict[str, Any], record: Record, truth: Truth, checks: set[str]
) -> dict[tuple[str, str], list[float | None]]:
    """True values that are the plant's by itself, by check and quantity, in order."""
    found: dict[tuple[str, str], list[float | None]] = {}
    if "ripple" not in checks and "current-limit" not in checks:
        return found
    with plant_of(_inputs(head["profile"]), head["seed"]) as opened:
        if "ripple" in checks:
            found["ripple", "ripple and noise, rms"] = [
                ripple_rms_v(opened, *place) for place in _ripple_places(record, truth)
            ]
        if "current-limit" in checks:
            data = record.check("current-limit")
            values = truth.readings.get(data.name, [])
            if len(values) == len(data.readings):
                width_a = knee_width_a(opened, data, values)
                found["current-limit", "width of the knee"] = [width_a]
    return found


def _ripple_places(record: Record, truth: Truth) -> list[tuple[float, float, float]]:
    """Set voltage, load and rms of the true samples, for each place of the ripple check."""
    data = record.check("ripple")
    squares: dict[tuple[str, float, float], list[float]] = {}
    for reading, true in zip(data.readings, truth.readings.get("ripple", []), strict=False):
        if reading.quantity == "ripple-rms" and true is not None:
            at = reading.at
            place = (str(at["point"]), float(at["set_v"]), float(at["load_a"]))
            squares.setdefault(place, []).append(true * true)
    return [(v, a, float(np.sqrt(np.mean(some)))) for (_, v, a), some in squares.items()]


def _row(finding: Finding, true: float | None) -> dict[str, Any]:
    return {
        "check": finding.check, "what": finding.what, "at": finding.at, "v": finding.value,
        "U": finding.u_expanded, "t": true, "d": str(finding.decision),
        "lo": finding.limit_low, "hi": finding.limit_high, "risk": finding.risk,
        "why": "" if finding.decision == "pass" else finding.reason,
    }  # fmt: skip


def _true_findings(data: CheckData, truth: Truth, profile: Profile) -> list[Finding]:
    """The check's own arithmetic on true readings and waves."""
    values = truth.readings.get(data.name, [])
    if data.not_measured is not None or len(values) != len(data.readings):
        return []
    readings = [_with_value(r, v) for r, v in zip(data.readings, values, strict=True)]
    waves: list[WaveformLine] = [
        TrueWaveform(w.name, w.fields, w.folder, truth.waveforms.get((data.name, w.name)))
        for w in data.waveforms
    ]
    return findings_of(replace(data, readings=readings, waveforms=waves), profile)


def _true_bend(finding: Finding, data: CheckData, truth: Truth) -> float | None:
    """True distance from the line at the place that the finding names."""
    values = truth.readings.get(data.name, [])
    if len(values) != len(data.readings):
        return None
    readings = [_with_value(r, v) for r, v in zip(data.readings, values, strict=True)]
    off_v = off_line_v(output_at(replace(data, readings=readings)))
    return next((v for place, v in off_v.items() if place.words == finding.at), None)


def _with_value(reading: Reading, true: float | None) -> Reading:
    return reading if true is None else replace(reading, value=true)


def _true_value(finding: Finding, number: int, true: list[Finding], truth: Truth) -> float | None:
    """True value of a finding: the tap points from the plant's parts, the rest from its waves."""
    if finding.what.startswith("glitch"):
        place = finding.what, finding.at
        return next((f.value for f in true if (f.what, f.at) == place), None)
    if finding.check == "tap-map":
        return _true_tap(finding, truth)
    if finding.what == "line voltage margin":
        return _true_margin(finding, truth.margins_pct[number : number + 1])
    if finding.check in {"before-power", "earth-reference"}:
        return _true_leak(finding, truth)
    same = [f for f in true if f.what == finding.what]
    return same[number].value if number < len(same) else None


def _true_margin(finding: Finding, found: list[float | None]) -> float | None:
    """None where the line was not lowered far enough: the finding is then a least value."""
    lowered = "regulation is lost" in finding.reason or (finding.value or 0.0) < 19.0
    return found[0] if found and lowered else None


def _true_tap(finding: Finding, truth: Truth) -> float | None:
    words = finding.what.replace(",", "").split()
    if "tap point" not in finding.what or not finding.at.startswith("at "):
        return None
    share = float(finding.at.split("%")[0].removeprefix("at ")) / 100

    def point(tap: int, way: str) -> float | None:
        near = [v for k, v in truth.taps.items()
                if k[0] == tap and k[2] == way and abs(k[1] - share) < 5e-3]  # fmt: skip
        return float(np.mean(near[0])) if near else None

    if words[:2] == ["tap", "point"] and words[-1] in {"rising", "falling"}:
        return point(int(words[2]), words[-1])
    if words[0] == "hysteresis":
        up, down = point(int(words[-1]), "rising"), point(int(words[-1]), "falling")
        return None if up is None or down is None else up - down
    return None


def _true_leak(finding: Finding, truth: Truth) -> float | None:
    terminal = re.fullmatch("resistance of (plus|minus) to earth", finding.what)
    return truth.leaks_ohm[terminal[1]] if terminal else None
