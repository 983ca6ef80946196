"""What the load-step records say: recovery into the band and staying there, and ringing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.checks.judging import Judge
from runner.checks.scales import scope_scale_of
from runner.errors import RecordError
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.repeats import standard_deviation
from runner.profile import Profile
from runner.record.reader import CheckData, WaveformLine
from runner.signals.samples import FloatArray, Invalid, checked_record
from runner.signals.steps import recovery, ring_cycles

__all__ = ["NAME", "NotBack", "StepResponse", "findings", "step_response"]

NAME = "transient"
NOISE_SIGMAS = 6.0
SETTLED_SHARE = 0.15
EDGES = ("load on", "load off")


@dataclass(frozen=True, slots=True)
class StepResponse:
    """Recovery time, peak (V, signed), ring cycles.

    ``earlier_s`` and ``later_s`` (s) say by how much the scope's error may have moved it.
    """

    recovery_s: float
    earlier_s: float
    later_s: float
    peak_v: float
    rings: float


@dataclass(frozen=True, slots=True)
class NotBack:
    """The record ends with the output outside its band."""

    reason: str


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Worst recovery and most ring cycles of each edge."""
    judge = Judge(NAME, profile)
    if data.events_of("no-pulse"):
        why = f"the load cannot pulse ({data.events_of('no-pulse')[0]['reason']})"
        return [judge.not_measured("recovery time", "s", why)]
    return [one for edge in EDGES for one in _edge(data, profile, judge, edge)]


def _edge(data: CheckData, profile: Profile, judge: Judge, edge: str) -> list[Finding]:
    limits = profile.limit("transient-recovery")
    limit = Limit.at_most(limits.limit.at(0.0))
    what = "recovery time"
    lines = [line for line in data.waveforms if line.at.get("edge") == edge]
    inside = [event for event in data.events_of("inside") if event["edge"] == edge]
    if inside and not lines:
        return [_stayed_inside(judge, limit, limits.source, inside[0], edge)]
    if not lines:
        why = "no record of the edge was taken"
        return [judge.not_measured(what, "s", why, at=edge, limit=limit, source=limits.source)]
    responses = [(line, _response(data, line)) for line in lines]
    lost = [one.reason for _, one in responses if isinstance(one, NotBack)]
    if lost:
        return [judge.failed(what, "s", lost[0], limits.source, at=edge)]
    good = [(line, one) for line, one in responses if isinstance(one, StepResponse)]
    band_v, set_v = float(lines[0].at["band_v"]), float(lines[0].at["set_v"])
    at = f"{edge}, {set_v:.4g} V, band {1e3 * band_v:.3g} mV"
    if not good:
        why = next(str(one) for _, one in responses)
        return [judge.not_measured(what, "s", why, at=at, limit=limit, source=limits.source)]
    line, worst = max(good, key=lambda pair: pair[1].recovery_s)
    times = [one.recovery_s for _, one in good]
    budget = _budget(data, line, worst, times)
    at = f"{at}, peak {1e3 * worst.peak_v:.3g} mV"
    rings, most = max(one.rings for _, one in good), profile.limit("transient-rings")
    reason = "the control loop rings: poor damping, or an output capacitor that has dried out"
    return [
        judge.apply(budget, limit, limits.source, at=at, reason=_beyond(line)),
        judge.count(
            "ring cycles after a load step", rings, Limit.at_most(most.limit.at(0.0)),
            most.source, at=edge, reason=reason,
        ),
    ]  # fmt: skip


def _stayed_inside(
    judge: Judge, limit: Limit, source: str, event: dict[str, object], edge: str
) -> Finding:
    """The output never left the band: recovery takes no time."""
    set_v, band_v = float(str(event["set_v"])), float(str(event["band_v"]))
    line = Line("the trigger saw no excursion", "B", 0.0, 0.0, "s")
    budget = Budget("recovery time", "s", 0.0, (line,))
    at = f"{edge}, {set_v:.4g} V, never left ±{1e3 * band_v:.3g} mV"
    return judge.apply(budget, limit, source, at=at)


def _beyond(line: WaveformLine) -> str:
    return "the peak left the screen; the time is not affected" if line.fields["clipped"] else ""


def _response(data: CheckData, line: WaveformLine) -> StepResponse | NotBack | str:
    fields = line.fields
    scale = scope_scale_of(data, fields["instrument"], fields["span_v"], fields["probe"])
    band_v = float(line.at["band_v"])
    error_v = scale.gain_rel * band_v + scale.difference_v
    try:
        volts = line.volts()
    except RecordError as error:
        return str(error)
    dt_s, t0_s = float(fields["dt_s"]), float(fields["t0_s"])
    if "ends_s" in line.at:  # a scope's own timebase may be longer and reach the next edge
        volts = volts[: round((float(line.at["ends_s"]) - t0_s) / dt_s)]
    return step_response(volts, dt_s, t0_s, band_v, min(error_v, 0.9 * band_v))


def step_response(
    volts: ArrayLike, dt_s: float, t0_s: float, band_v: float, error_v: float
) -> StepResponse | NotBack | str:
    """Recovery of one record (n,) in V whose sample 0 is at ``t0_s`` < 0 from the trigger.

    The band lies about the settled end of the record (newer practice); the step is where the
    trace leaves its own noise before the trigger. The scope may be wrong by ``error_v``, so the
    recovery is also taken with the band that much wider and narrower. Returns why there is none.
    """
    samples = checked_record(volts, name="the load step", minimum=100)
    if isinstance(samples, Invalid):
        return samples.reason
    before = int(-t0_s / dt_s)
    if before < 20:
        return "the record shows nothing from before the step"
    t_s = t0_s + dt_s * np.arange(samples.size, dtype=np.float64)
    step_s = _step_time(samples, t_s, before)
    end_v = float(np.median(samples[-int(SETTLED_SHARE * samples.size) :]))
    times = []
    for wide_v in (0.0, error_v, -error_v):
        found = recovery(t_s, samples, step_s=step_s, reference_v=end_v, band_v=band_v + wide_v)
        if isinstance(found, Invalid):
            if wide_v < 0:
                continue  # the narrow band is inside the scope's own error
            return NotBack(found.reason)
        times.append(found.time_s)
    after = samples[before:]
    noise_v = float(np.std(samples[: before // 2])) if before >= 40 else 0.0
    rings = ring_cycles(after, reference_v=end_v, visible_v=max(band_v / 3, 6 * noise_v))
    peak = after - end_v
    return StepResponse(
        recovery_s=times[0],
        earlier_s=times[0] - min(times),
        later_s=max(times) - times[0],
        peak_v=float(peak[np.argmax(np.abs(peak))]),
        rings=0.0 if isinstance(rings, Invalid) else rings,
    )


def _step_time(samples: FloatArray, t_s: FloatArray, before: int) -> float:
    """Last moment before the trigger at which the trace was still within its own noise."""
    quiet = samples[: before // 2]
    level_v = float(np.median(quiet))
    noise_v = max(float(np.std(quiet)), 1e-9)
    inside = np.flatnonzero(np.abs(samples[:before] - level_v) <= NOISE_SIGMAS * noise_v)
    return float(t_s[inside[-1]]) if inside.size else float(t_s[0])


def _budget(data: CheckData, line: WaveformLine, worst: StepResponse, times: list[float]) -> Budget:
    """Budget of the worst of these records' times.

    What the scope does from one record to the next is inside its sheet's limit; only where no
    such limit is known the scatter stands for it.
    """
    fields = line.fields
    scale = scope_scale_of(data, fields["instrument"], fields["span_v"], fields["probe"])
    lines = [
        Line.from_bounds(
            "vertical error of the scope, as time", worst.earlier_s, worst.later_s,
            value=worst.recovery_s, unit="s", source=scale.source,
        ),
        Line.from_limit("sample interval", float(fields["dt_s"]), unit="s"),
    ]  # fmt: skip
    if len(times) > 1 and scale.difference_v == 0:
        lines.append(
            Line("scatter of records", "A", standard_deviation(times), worst.recovery_s, "s",
                 dof=len(times) - 1, distribution="t")
        )  # fmt: skip
    return Budget("recovery time", "s", worst.recovery_s, tuple(lines), scale.caveats)
