"""Ripple of one channel of a capture: the same figures as the check on the bench."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.captures.capture import Capture, Channel
from runner.errors import InputError
from runner.quantity import format_quantity
from runner.signals import ripple as ripple_of
from runner.signals.analysis import RippleAnalysis, analyse
from runner.signals.samples import FloatArray, Invalid

__all__ = ["CaptureRipple", "choose_channel", "ripple_of_capture"]

_SHORTEST = 16
_PARD_LOW_HZ = 20.0
_PARD_HIGH_HZ = 20e6


@dataclass(frozen=True, eq=False)
class CaptureRipple:
    """What one channel shows, in volts at the probe's tip.

    `pp_v` is the largest over the stretches, `rms_v` pooled over them; each None with a reason
    in `pp_reason`, `rms_reason`. `analysis` (mains multiples, other lines, spectra) is of the
    longest stretch, or the reason why there is none. `step_v` is the resolution of the file,
    the smallest distance between two different samples. `trace` is (time, volts), or (time,
    lower, upper) for pairs of minimum and maximum. `rated_v` is the unit's rated output, if told.
    """

    capture: Capture
    channel: str
    mains_hz: float
    pp_v: float | None
    pp_reason: str
    rms_v: float | None
    rms_reason: str
    clipping_suspected: bool
    analysis: RippleAnalysis | Invalid
    step_v: float
    trace: tuple[FloatArray, ...]
    notes: tuple[str, ...]
    rated_v: float | None = None

    @property
    def rms_db_of_rated(self) -> float | None:
        """The rms in dB of the rated output; None where one of them is not known."""
        if self.rms_v is None or self.rated_v is None:
            return None
        level = ripple_of.below_rated_db(self.rms_v, self.rated_v)
        return None if isinstance(level, Invalid) else level


def choose_channel(capture: Capture, wanted: str | None) -> tuple[Channel, tuple[str, ...]]:
    """Channel by name or number from 1; the first in volts unless asked for.

    Raises InputError when there is no such channel, or none in volts.
    """
    volts = [channel for channel in capture.channels if channel.unit == "V"]
    names = ", ".join(repr(channel.name) for channel in capture.channels)
    if wanted is not None:
        by_name = [c for c in capture.channels if c.name.lower() == wanted.strip().lower()]
        number = int(wanted) if wanted.strip().isdigit() else 0
        if not by_name and 1 <= number <= len(capture.channels):
            by_name = [capture.channels[number - 1]]
        if not by_name:
            raise InputError(
                "no such channel", file=capture.path, key="--channel", expected=names, found=wanted
            )
        if by_name[0].unit != "V":
            raise InputError(
                "ripple needs volts", file=capture.path, key="--channel",
                expected="a channel in V", found=f"{by_name[0].name!r} in {by_name[0].unit}",
            )  # fmt: skip
        return by_name[0], ()
    if not volts:
        raise InputError("no channel in volts", file=capture.path, expected="V", found=names)
    others = f"{len(volts)} channels in V; took the first, {volts[0].name!r}"
    return volts[0], (others,) if len(volts) > 1 else ()


def ripple_of_capture(
    capture: Capture, *, channel: str | None = None, mains_hz: float = 50.0, probe: float = 1.0
) -> CaptureRipple:
    """Analyse one channel; `probe` multiplies the file's volts.

    Uneven time: p-p from the samples as they are, rms and spectrum from samples interpolated
    onto the median step. Pairs of minimum and maximum: p-p only. Nothing raises but an
    impossible channel (InputError); whatever cannot be measured carries its reason.
    """
    chosen, notes = choose_channel(capture, channel)
    if probe != 1:
        notes += (f"volts of the file multiplied by {probe:g} (probe)",)
    pieces = _pieces(capture, chosen)
    if chosen.envelope is not None:
        return _of_envelope(capture, chosen, probe, mains_hz, notes)
    if not pieces:
        return _nothing(capture, chosen, probe, mains_hz, notes)
    return _of_samples(capture, chosen, pieces, probe, mains_hz, notes)


def _pieces(capture: Capture, channel: Channel) -> list[tuple[int, int]]:
    """Stretches without a gap in time nor in this channel, long enough to be measured."""
    found = []
    for start, stop in capture.pieces:
        there = np.concatenate([[0], ~np.isnan(channel.samples[start:stop]), [0]]).astype(np.int8)
        edges = np.flatnonzero(np.diff(there)) + start
        found += [(int(a), int(b)) for a, b in zip(edges[0::2], edges[1::2], strict=True)]
    return [(a, b) for a, b in found if b - a >= _SHORTEST]


def _of_samples(
    capture: Capture, channel: Channel, pieces: list[tuple[int, int]], probe: float,
    mains_hz: float, notes: tuple[str, ...],
) -> CaptureRipple:  # fmt: skip
    longest = max(pieces, key=lambda piece: piece[1] - piece[0])
    raw = [channel.samples[a:b] * probe for a, b in pieces]
    even, dt_s = zip(*(_even(capture, piece, probe, channel) for piece in pieces), strict=True)
    at = pieces.index(longest)
    analysis = analyse(even[at], dt_s[at], mains_hz=mains_hz)
    slope = 0.0 if isinstance(analysis, Invalid) else analysis.slope_v_per_s
    pooled = ripple_of.pool(
        [
            ripple_of.measure(v, dt_s=dt, slope_v_per_s=slope)
            for v, dt in zip(even, dt_s, strict=True)
        ]
    )
    if capture.dt_s is None:
        notes += ("uneven time: rms and spectrum from samples interpolated to even steps",)
    notes += _band_notes(dt_s[at], longest, slope)
    reason = pooled.reason if isinstance(pooled, Invalid) else ""
    measured = None if isinstance(pooled, Invalid) else pooled
    pp_v = None
    if measured is not None:
        pp_v = measured.pp_v
        if capture.dt_s is None:
            pp_v = max(float(np.ptp(v)) for v in raw)
        if measured.clipping_suspected:
            notes += ("the trace lies flat on its extremes: clipped? The p-p is a lower bound",)
    return CaptureRipple(
        capture, channel.name, mains_hz, pp_v, reason,
        None if measured is None else measured.rms_v, reason,
        measured is not None and measured.clipping_suspected, analysis, _step(raw[at]),
        (capture.t_s, channel.samples * probe), notes,
    )  # fmt: skip


def _even(
    capture: Capture, piece: tuple[int, int], probe: float, channel: Channel
) -> tuple[FloatArray, float]:
    """Samples of a stretch at even steps and the step: as they are, or interpolated."""
    start, stop = piece
    samples = channel.samples[start:stop] * probe
    if capture.dt_s is not None:
        return samples, capture.dt_s
    t_s = capture.t_s[start:stop]
    span_s = float(t_s[-1] - t_s[0])
    count = int(min(span_s / float(np.median(np.diff(t_s))), 4 * samples.size)) + 1
    grid = np.linspace(t_s[0], t_s[-1], max(count, _SHORTEST))
    step_s = span_s / (grid.size - 1)
    return np.asarray(np.interp(grid, t_s, samples), dtype=np.float64), step_s


def _band_notes(dt_s: float, piece: tuple[int, int], slope: float) -> tuple[str, ...]:
    span_s = (piece[1] - piece[0]) * dt_s
    notes: list[str] = []
    if 0.5 / dt_s < _PARD_HIGH_HZ:
        notes.append(
            f"sampled every {format_quantity(dt_s, 's')}: nothing above"
            f" {format_quantity(0.5 / dt_s, 'Hz', 3)} is seen rightly; ripple and noise is asked"
            " for up to 20 MHz"
        )
    if span_s * _PARD_LOW_HZ < 1:
        notes.append(f"{format_quantity(span_s, 's', 3)} long: less than one period of 20 Hz")
    if slope != 0:
        notes.append(f"a drift of {slope:.3g} V/s was taken out (slower than 20 Hz)")
    return tuple(notes)


def _step(samples: FloatArray) -> float:
    """Smallest distance between different samples; 0 when they are not in steps."""
    levels = np.unique(samples[: 1 << 20])
    if levels.size < 2:
        return 0.0
    return float(np.diff(levels).min())


def _of_envelope(
    capture: Capture, channel: Channel, probe: float, mains_hz: float, notes: tuple[str, ...]
) -> CaptureRipple:
    low, high = (row * probe for row in channel.envelope or ())
    reason = "the file holds pairs of minimum and maximum, no waveform"
    pp_v: float | None = None
    pp_reason = "no complete pair of minimum and maximum"
    there = ~(np.isnan(low) | np.isnan(high))
    if np.count_nonzero(there) >= 2:
        checked = ripple_of.measure(np.concatenate([low[there], high[there]]))
        pp_reason = checked.reason if isinstance(checked, Invalid) else ""
        pp_v = None if pp_reason else float(high[there].max() - low[there].min())
    return CaptureRipple(
        capture, channel.name, mains_hz, pp_v, pp_reason, None, reason, False, Invalid(reason),
        _step(np.concatenate([low[there], high[there]])), (capture.t_s, low, high), notes,
    )  # fmt: skip


def _nothing(
    capture: Capture, channel: Channel, probe: float, mains_hz: float, notes: tuple[str, ...]
) -> CaptureRipple:
    reason = f"no stretch of {_SHORTEST} samples without a gap"
    return CaptureRipple(
        capture, channel.name, mains_hz, None, reason, None, reason, False, Invalid(reason), 0.0,
        (capture.t_s, channel.samples * probe), notes,
    )  # fmt: skip
