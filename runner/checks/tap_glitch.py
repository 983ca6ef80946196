"""The output's disturbance by a change of winding, from the recorded changes."""

from __future__ import annotations

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
    """Largest excursion beyond the levels before and after, for each recorded change."""
    limits = profile.limit("tap-glitch")
    limit = Limit.at_most(limits.limit.at(0.0))
    found = []
    for line in data.waveforms:
        if line.at.get("shows") != "output":
            continue
        what = f"glitch at {TAP_POINT} {line.at['tap']}, {line.at['direction']}"
        at = f"at {float(line.at['share']):.0%} of full load"
        value = _measured(line)
        if isinstance(value, str):
            found.append(
                judge.not_measured(what, "V", value, at=at, limit=limit, source=limits.source)
            )
            continue
        fields = line.fields
        scale = scope_scale_of(data, fields["instrument"], fields["span_v"], fields["probe"])
        budget = scope_pp(what, [value], scale)
        reason = "the trace left the screen: the glitch is at least this" * bool(fields["clipped"])
        found.append(judge.apply(budget, limit, limits.source, at=at, reason=reason))
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
