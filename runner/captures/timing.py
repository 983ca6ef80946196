"""From a column of times, or a sample interval, to the time row, its step and its gaps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from runner.signals.samples import FloatArray

__all__ = ["Timing", "from_interval", "from_times"]

_EVEN_SHARE = 0.9
_EVEN_TOLERANCE = 0.1
_GAP_STEPS = 1.5


@dataclass(frozen=True, eq=False)
class Timing:
    """Time row (n,) in s, even step in s or None, stretches without a gap, what was odd."""

    t_s: FloatArray
    dt_s: float | None
    pieces: tuple[tuple[int, int], ...]
    notes: tuple[str, ...]


def from_interval(n: int, dt_s: float, missing: FloatArray) -> Timing:
    """Time row of n rows, `dt_s` apart; `missing` (n,) is 1 where a row has no samples."""
    breaks = _changes(missing)
    notes = ("gaps in the file: " + _count(len(breaks), "stretch"),) if len(breaks) > 1 else ()
    return Timing(np.arange(n, dtype=np.float64) * float(dt_s), dt_s, breaks, notes)


def from_times(t_s: FloatArray) -> Timing | str:
    """Understand a column of times (n,), NaN where a row has none; or say why it is no time.

    A step back or a repeated time begins a new stretch (scopes write segments one after the
    other), and so does a gap of 1.5 steps or more where the rest is even. Times printed with
    too few digits, so that neighbours are equal, are replaced by even ones.
    """
    whole = _changes(np.isnan(t_s).astype(np.float64))
    steps = np.diff(t_s[~np.isnan(t_s)])
    forward = steps[steps > 0]
    if forward.size == 0:
        return "no row is later than the one before"
    rounded = _rounded_step(t_s, steps)
    if rounded is not None:
        even = t_s[0] + rounded * np.arange(t_s.size)
        return Timing(even, rounded, whole, ("times are printed too coarsely; taken as even",))
    step_s = float(np.median(forward))
    near = np.abs(steps - step_s) <= _EVEN_TOLERANCE * step_s
    even_overall = float(np.mean(near)) >= _EVEN_SHARE
    longest = _GAP_STEPS * step_s if even_overall else np.inf
    pieces = tuple(part for piece in whole for part in _cut(t_s, piece, longest))
    if not even_overall:
        note = f"sampled unevenly, steps {forward.min():.3g} to {forward.max():.3g} s"
        return Timing(t_s, None, pieces, (note,))
    notes: tuple[str, ...] = ()
    if len(pieces) > 1:
        notes = (f"{_count(len(pieces), 'stretch')} with gaps or restarts of time between them",)
    return Timing(t_s, _mean_step(t_s, pieces, step_s), pieces, notes)


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'es' if number != 1 else ''}"


def _changes(missing: FloatArray) -> tuple[tuple[int, int], ...]:
    """Stretches of rows where nothing is missing."""
    there = np.concatenate([[0], (missing == 0).astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(there))
    return tuple((int(a), int(b)) for a, b in zip(edges[0::2], edges[1::2], strict=True))


def _cut(t_s: FloatArray, piece: tuple[int, int], longest: float) -> list[tuple[int, int]]:
    start, stop = piece
    steps = np.diff(t_s[start:stop])
    bad = np.flatnonzero((steps <= 0) | (steps > longest)) + start + 1
    bounds = [start, *(int(b) for b in bad), stop]
    return [(a, b) for a, b in pairwise(bounds) if b > a]


def _rounded_step(t_s: FloatArray, steps: FloatArray) -> float | None:
    """Even step when times repeat only because they were rounded, else None."""
    if np.isnan(t_s).any() or np.any(steps < 0) or np.mean(steps == 0) < 0.01:
        return None
    number = np.arange(t_s.size) - (t_s.size - 1) / 2
    middle_s = float(t_s.mean())
    # The slope of the straight line: rounding averages out over the rows.
    step_s = float(np.sum(number * (t_s - middle_s)) / np.sum(number**2))
    off = np.abs(t_s - (middle_s + step_s * number))
    digit_s = float(steps[steps > 0].min())
    return step_s if float(off.max()) <= 1.5 * digit_s else None


def _mean_step(t_s: FloatArray, pieces: tuple[tuple[int, int], ...], step_s: float) -> float:
    """Mean step of the longest stretch: finer than one step printed with few digits."""
    start, stop = max(pieces, key=lambda piece: piece[1] - piece[0])
    if stop - start < 2:
        return step_s
    return float(t_s[stop - 1] - t_s[start]) / (stop - start - 1)
