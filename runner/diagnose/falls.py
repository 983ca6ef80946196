"""How fast the output falls where nothing but a capacitor holds it up: volts per second.

Two sorts of traces show it. After the mains or the output was switched off, a fall that begins
somewhere in the record (``fall_after_off``). In dropout, a flank down to every valley
(``flank_in_dropout``). Both are straight lines where the current is constant: dV/dt = -I/C.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Fall", "fall_after_off", "flank_in_dropout"]

FIRST_SHARE, LEAST_SAMPLES = 0.05, 3
NOISE_SIGMAS = 6.0
TOP_SHARE, BOTTOM_SHARE = 0.08, 0.06
"""Parts of the fall left out at its beginning (the regulator lets go) and end (edge of screen)."""
CROOKED = 0.03
"""Residual rms over the height above which a fall is no straight line (common practice)."""
LEAST_PP_V = 0.1
FLANK_LOW, FLANK_HIGH = 0.35, 0.65
"""The part of a flank where the rectifier rests: past its last current, before its first."""


@dataclass(frozen=True, slots=True)
class Fall:
    """Volts lost per second, with its standard uncertainty."""

    v_per_s: float
    u_v_per_s: float


def _line(t_s: NDArray[np.float64], volts: NDArray[np.float64]) -> Fall | None:
    """Least squares; None when it rises or is crooked."""
    if t_s.size < LEAST_SAMPLES:
        return None
    middle = t_s - t_s.mean()
    spread = float(middle @ middle)
    slope = float(middle @ volts) / spread
    left = volts - volts.mean() - slope * middle
    rms_v = float(np.sqrt(left @ left / max(t_s.size - 2, 1)))
    if slope >= 0.0 or rms_v > CROOKED * float(np.ptp(volts)):
        return None
    return Fall(-slope, rms_v / spread**0.5)


def fall_after_off(
    volts: NDArray[np.float64], dt_s: float, floor_v: float | None = None
) -> Fall | None:
    """Slope of the one fall in a record that begins at rest.

    :param volts: trace in V, shape (n,); it may leave the screen below
    :param dt_s: seconds between samples
    :param floor_v: leave out what lies below
    """
    rest = volts[: max(int(FIRST_SHARE * volts.size), LEAST_SAMPLES)]
    top_v, noise_v = float(np.median(rest)), float(rest.std())
    height_v = top_v - float(volts.min())
    upper_v = top_v - max(TOP_SHARE * height_v, NOISE_SIGMAS * noise_v)
    lower_v = max(float(volts.min()) + BOTTOM_SHARE * height_v, floor_v or -np.inf)
    below = np.flatnonzero(volts < lower_v)
    if not below.size or upper_v <= lower_v:
        return None
    before = np.flatnonzero(volts[: below[0]] > upper_v)
    if not before.size:
        return None
    part = slice(int(before[-1]) + 1, int(below[0]))
    t_s = np.asarray(dt_s * np.arange(part.start, part.stop), dtype=np.float64)
    return _line(t_s, volts[part])


def flank_in_dropout(volts: NDArray[np.float64], dt_s: float, mains_hz: float) -> Fall | None:
    """Slope of the flanks down to the valleys, their median; None where there is no dropout.

    :param volts: trace of the output in V, shape (n,), over several mains periods
    :param dt_s: seconds between samples
    :param mains_hz: one or two valleys a period are expected
    """
    low_v, pp_v = float(volts.min()), float(np.ptp(volts))
    if pp_v < LEAST_PP_V:
        return None
    inside = (volts > low_v + FLANK_LOW * pp_v) & (volts < low_v + FLANK_HIGH * pp_v)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    flanks = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if first == 0 or last == volts.size or volts[first] <= volts[last - 1]:
            continue
        one = _line(dt_s * np.arange(first, last), volts[first:last])
        if one is not None:
            flanks.append(one)
    periods = volts.size * dt_s * mains_hz
    if not 0.7 * periods <= len(flanks) <= 2.2 * periods:
        return None
    slopes = np.array([one.v_per_s for one in flanks])
    middle = float(np.median(slopes))
    scatter = 1.48 * float(np.median(np.abs(slopes - middle)))  # sigma of a normal (GUM practice)
    return Fall(middle, max(scatter, flanks[0].u_v_per_s) / len(flanks) ** 0.5)
