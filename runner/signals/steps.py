"""Pulses and steps in the terms of IEEE 181: state levels, transition, overshoot, recovery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.samples import FloatArray, Invalid, checked_pair, checked_record, is_flat

__all__ = [
    "Excursion",
    "Levels",
    "Recovery",
    "Transition",
    "crossing_time",
    "excursion",
    "recovery",
    "ring_cycles",
    "state_levels",
    "transition",
]


@dataclass(frozen=True)
class Levels:
    """Low and high state of a two-level record, in volts."""

    low_v: float
    high_v: float

    @property
    def amplitude_v(self) -> float:
        """High state minus low state."""
        return self.high_v - self.low_v


def state_levels(v: ArrayLike, *, bins: int = 100) -> Levels | Invalid:
    """State levels by histogram: range in `bins`, split at the middle, fullest bin of each half.

    The level is the median of the samples in that bin, not its centre: the centre is wrong by
    up to half a bin (IEEE 181 histogram mode; practice of the scopes is the centre).
    v (n,), n >= 8. ValueError for fewer than 4 bins.
    """
    if bins < 4:
        raise ValueError(f"{bins} bins cannot tell two states apart")
    samples = checked_record(v, minimum=8)
    if isinstance(samples, Invalid):
        return samples
    low, high = float(samples.min()), float(samples.max())
    if is_flat(low, high):
        return Invalid("the record is flat, it has one state only")
    index = np.minimum((samples - low) * (bins / (high - low)), bins - 1).astype(np.intp)
    counts = np.bincount(index, minlength=bins)
    half = bins // 2
    at_low = int(np.argmax(counts[:half]))
    at_high = half + int(np.argmax(counts[half:]))
    return Levels(
        float(np.median(samples[index == at_low])), float(np.median(samples[index == at_high]))
    )


def crossing_time(t_s: FloatArray, v: FloatArray, before: int, level_v: float) -> float:
    """Time at which the straight line from sample `before` to the next one meets the level."""
    v0, v1 = float(v[before]), float(v[before + 1])
    part = 0.5 if v1 == v0 else (level_v - v0) / (v1 - v0)
    return float(t_s[before]) + min(max(part, 0.0), 1.0) * float(t_s[before + 1] - t_s[before])


@dataclass(frozen=True)
class Transition:
    """One passage between the states.

    `start_s`, `middle_s`, `end_s`: passages of the 10, 50, 90 % reference levels (in the order
    of time); overshoot beyond the state reached and preshoot beyond the state left, in % of
    the amplitude.
    """

    rising: bool
    start_s: float
    middle_s: float
    end_s: float
    overshoot_pct: float
    preshoot_pct: float

    @property
    def duration_s(self) -> float:
        """Transition duration, 10 to 90 %."""
        return self.end_s - self.start_s


def transition(t_s: ArrayLike, v: ArrayLike, levels: Levels | None = None) -> Transition | Invalid:
    """First full transition of a record; levels by `state_levels` unless they are known.

    t (n,) in s, increasing, uneven allowed; passages are interpolated linearly.
    """
    pair = checked_pair(t_s, v, minimum=8)
    if isinstance(pair, Invalid):
        return pair
    times, samples = pair
    found = levels or state_levels(samples)
    if isinstance(found, Invalid):
        return found
    if not found.amplitude_v > 0:
        return Invalid("the states have no amplitude between them")
    share = (samples - found.low_v) / found.amplitude_v
    settled = np.flatnonzero((share <= 0.1) | (share >= 0.9))
    above = share[settled] >= 0.9
    changes = np.flatnonzero(above[1:] != above[:-1])
    if changes.size == 0:
        return Invalid("the record holds no full transition between its states")
    start, end = int(settled[changes[0]]), int(settled[changes[0] + 1])
    rising = bool(share[end] >= 0.9)
    path = share if rising else 1 - share
    nearest_half = start + int(np.argmax(path[start : end + 1] >= 0.5)) - 1
    stop = int(settled[changes[1]]) + 1 if changes.size > 1 else samples.size
    return Transition(
        rising=rising,
        start_s=crossing_time(times, path, start, 0.1),
        middle_s=crossing_time(times, path, nearest_half, 0.5),
        end_s=crossing_time(times, path, end - 1, 0.9),
        overshoot_pct=100 * max(0.0, float(path[end:stop].max()) - 1),
        preshoot_pct=100 * max(0.0, -float(path[: start + 1].min())),
    )


@dataclass(frozen=True)
class Recovery:
    """Return into a band about a reference, and staying there.

    `time_s` counts from the step to the last entry; `peak_v` is the largest deviation from
    the reference after the step, with its sign; `watched_s` is how long the record shows the
    output inside the band afterwards.
    """

    time_s: float
    peak_v: float
    watched_s: float


def recovery(
    t_s: ArrayLike, v: ArrayLike, *, step_s: float, band_v: float, reference_v: float
) -> Recovery | Invalid:
    """Time from `step_s` until the output stays within ±`band_v` of `reference_v`.

    Last exit, not first entry: a later swing out of the band counts. Interpolated between the
    last sample outside and the first inside. 0 when the band was never left. Invalid when the
    record ends outside or does not contain the step. t (n,) in s, uneven allowed.
    """
    pair = checked_pair(t_s, v)
    if isinstance(pair, Invalid):
        return pair
    if not (0 < band_v < np.inf and np.isfinite(reference_v)):
        return Invalid(f"a band of ±{band_v} V about {reference_v} V")
    times, samples = pair
    if not times[0] <= step_s < times[-1]:
        return Invalid(f"the step at {step_s:g} s is not inside the record")
    after = times >= step_s
    times, deviation = times[after], samples[after] - reference_v
    peak_v = float(deviation[np.argmax(np.abs(deviation))])
    outside = np.flatnonzero(np.abs(deviation) > band_v)
    if outside.size == 0:
        return Recovery(0.0, peak_v, float(times[-1]) - step_s)
    last = int(outside[-1])
    if last == times.size - 1:
        return Invalid(f"the output is not back within ±{band_v:g} V when the record ends")
    edge_v = float(np.copysign(band_v, deviation[last]))
    back_s = crossing_time(times, deviation, last, edge_v)
    return Recovery(back_s - step_s, peak_v, float(times[-1]) - back_s)


def ring_cycles(v: ArrayLike, *, reference_v: float, visible_v: float) -> float | Invalid:
    """Visible ring cycles after a step: half the swings that alternate beyond ±`visible_v`.

    `v` starts at the step; the first swing is the disturbance itself and is not counted. More
    than 3 is poor damping (common practice).
    """
    samples = checked_record(v)
    if isinstance(samples, Invalid):
        return samples
    if not (0 < visible_v < np.inf and np.isfinite(reference_v)):
        return Invalid(f"swings of ±{visible_v} V about {reference_v} V")
    deviation = samples - reference_v
    sides = np.sign(deviation[np.abs(deviation) > visible_v])
    return max(0, int(np.count_nonzero(np.diff(sides)))) / 2


@dataclass(frozen=True)
class Excursion:
    """How far and how long an output left its set value (switching on, off, a glitch).

    Peaks are from the reference, `high_v` >= 0 and `low_v` <= 0; `outside_s` pairs each band
    with the time from its first exit to its last entry, 0 when it was not left; `ended_inside`
    tells for each band whether the record shows the return.
    """

    high_v: float
    low_v: float
    outside_s: tuple[tuple[float, float], ...]
    ended_inside: tuple[bool, ...]


def excursion(
    t_s: ArrayLike, v: ArrayLike, *, reference_v: float, bands_v: tuple[float, ...]
) -> Excursion | Invalid:
    """Peaks and durations about a reference, passages interpolated; t (n,) in s, uneven allowed."""
    pair = checked_pair(t_s, v)
    if isinstance(pair, Invalid):
        return pair
    if not np.isfinite(reference_v) or not all(0 < band < np.inf for band in bands_v):
        return Invalid(f"bands of {bands_v} V about {reference_v} V")
    times, samples = pair
    deviation = samples - reference_v
    spans = [_outside(times, deviation, band) for band in bands_v]
    return Excursion(
        high_v=max(0.0, float(deviation.max())),
        low_v=min(0.0, float(deviation.min())),
        outside_s=tuple((band, span) for band, (span, _) in zip(bands_v, spans, strict=True)),
        ended_inside=tuple(inside for _, inside in spans),
    )


def _outside(times: FloatArray, deviation: FloatArray, band_v: float) -> tuple[float, bool]:
    outside = np.flatnonzero(np.abs(deviation) > band_v)
    if outside.size == 0:
        return 0.0, True
    first, last = int(outside[0]), int(outside[-1])
    left_s, back_s = float(times[0]), float(times[-1])
    if first > 0:
        edge_v = float(np.copysign(band_v, deviation[first]))
        left_s = crossing_time(times, deviation, first - 1, edge_v)
    inside = last < times.size - 1
    if inside:
        edge_v = float(np.copysign(band_v, deviation[last]))
        back_s = crossing_time(times, deviation, last, edge_v)
    return back_s - left_s, inside
