"""The output's disturbance by a change of winding, from the recorded changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import median
from typing import Any

from numpy.typing import ArrayLike

from runner.checks.judging import Judge
from runner.checks.points import TAP_POINT
from runner.checks.scales import scope_scale_of
from runner.errors import RecordError
from runner.finding import Finding
from runner.metrology.limit import Limit
from runner.metrology.scope_budgets import scope_pp
from runner.profile import Profile
from runner.record.reader import CheckData, WaveformLine

__all__ = ["glitch_findings", "glitch_v"]

REST_FRACTION = 0.2
"""Share of the record, at its end, that shows the output at rest again."""


def glitch_findings(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Worst excursion beyond the levels before and after, over all records of one change.

    Where there are several records, their median is given beside it, without limit.
    """
    places: dict[tuple[Any, ...], list[WaveformLine]] = {}
    for line in data.waveforms:
        if line.at.get("shows") == "output":
            place = line.at["tap"], line.at["direction"], float(line.at["share"])
            places.setdefault(place, []).append(line)
    lost = _lost(data)
    return [
        finding
        for (tap, direction, share) in {**places, **lost}
        for finding in _at_one_place(
            data, profile, judge, places.get((tap, direction, share), []),
            lost.get((tap, direction, share), ""),
            f"glitch at {TAP_POINT} {tap}, {direction}", f"at {share:.0%} of full load",
        )
    ]  # fmt: skip


def _lost(data: CheckData) -> dict[tuple[Any, ...], str]:
    """Why a change has no record of the output, by place: none came, or one that is no good."""
    said = [(event, "the scope recorded no change of the coil")
            for event in data.events_of("change-not-recorded")]  # fmt: skip
    said += [
        (event["at"], str(event["reason"]))
        for event in data.events_of("waveform-invalid")
        if event["at"].get("shows") == "output"
    ]
    return {(at["tap"], at["direction"], float(at["share"])): why for at, why in said}


def _at_one_place(
    data: CheckData, profile: Profile, judge: Judge, lines: Sequence[WaveformLine],
    why: str, what: str, at: str,
) -> list[Finding]:  # fmt: skip
    limits = profile.limit("tap-glitch")
    limit = Limit.at_most(limits.limit.at(0.0))
    measured = [_measured(line) for line in lines] or [why]
    values = [value for value in measured if not isinstance(value, str)]
    if not values:
        return [
            judge.not_measured(
                what, "V", str(measured[0]), at=at, limit=limit, source=limits.source
            )
        ]
    fields = lines[0].fields
    scale = scope_scale_of(data, fields["instrument"], fields["span_v"], fields["probe"])
    clipped = any(line.fields["clipped"] for line in lines)
    reason = "the trace left the screen: the glitch is at least this" * clipped
    found = [judge.apply(scope_pp(what, values, scale), limit, limits.source, at=at, reason=reason)]
    if len(values) > 1:
        source = f"for information, no limit: median of {len(values)} records"
        usual = judge.count(
            f"median {what}", round(median(values), 4), Limit.at_least(0.0), source, at=at
        )
        found.append(replace(usual, unit="V"))
    return found


def _measured(line: WaveformLine) -> float | str:
    try:
        volts = line.volts()
    except RecordError as error:
        return str(error)
    return glitch_v(volts, float(line.fields["dt_s"]), float(line.fields["t0_s"]))


def glitch_v(volts: ArrayLike, dt_s: float, t0_s: float) -> float | str:
    """Largest excursion in V beyond both resting levels, ``volts`` of shape (n,).

    The set point moves a little across the tap point, so the level before (median before the
    trigger) and after (median of the record's end) differ; what lies between them is no glitch.
    Returns the reason when there is no figure.
    """
    import numpy as np

    from runner.signals.samples import Invalid, checked_record

    samples = checked_record(volts, name="the recorded change", minimum=16)
    if isinstance(samples, Invalid):
        return samples.reason
    before = int(-t0_s / dt_s)
    if before < 8 or before > samples.size - 8:
        return "the record does not show the output before and after the change"
    levels = (
        float(np.median(samples[:before])),
        float(np.median(samples[-max(8, int(REST_FRACTION * samples.size)) :])),
    )
    return max(float(samples.max()) - max(levels), min(levels) - float(samples.min()), 0.0)
