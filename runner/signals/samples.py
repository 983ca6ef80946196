"""What a record must be before any arithmetic is done on it.

A record is a one-dimensional row of real, finite samples. Whatever is not one comes back as
`Invalid` with the reason, so that it can never turn into a number further on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["FloatArray", "Invalid", "checked_pair", "checked_record", "is_flat", "uniform_step"]

FloatArray: TypeAlias = NDArray[np.float64]

# SCPI-1999 vol. 1, 7.2.1: 9.91E37 stands for "not a number", 9.9E37 for overload. No bench
# voltage comes anywhere near, so everything from 1e30 on is taken for such a word.
_OVERLOAD = 1e30
_WRAP_FRACTION = 0.75
_FLAT_FLOOR = 1e-100


@dataclass(frozen=True)
class Invalid:
    """No number could be had, and why."""

    reason: str


def checked_record(
    values: ArrayLike, *, name: str = "the record", minimum: int = 2
) -> FloatArray | Invalid:
    """Return the samples as float64, shape (n,), or the reason why they are no record.

    Refused: not one-dimensional, not real numbers, masked, fewer than `minimum` samples, NaN,
    infinity, instrument words for overload (|v| >= 1e30), integer codes that touch the ends of
    their type (the converter was overdriven) or jump by more than three quarters of it (the
    codes wrapped round). A float64 array is returned as it is, not copied.
    """
    if isinstance(values, np.ma.MaskedArray) and np.ma.getmaskarray(values).any():
        return Invalid(f"{name} has masked samples")
    try:
        raw = np.asarray(values)
    except (TypeError, ValueError):
        return Invalid(f"{name} is not a row of numbers")
    fault = _shape_fault(raw, name, minimum) or _integer_fault(raw, name)
    if fault is not None:
        return fault
    samples = raw.astype(np.float64, copy=False)
    with np.errstate(over="ignore", invalid="ignore"):
        low, high = float(samples.min()), float(samples.max())
    if low > -_OVERLOAD and high < _OVERLOAD:  # false for NaN and infinity too
        return samples
    return _float_fault(samples, name)


def _shape_fault(raw: NDArray[np.generic], name: str, minimum: int) -> Invalid | None:
    if raw.ndim != 1:
        return Invalid(f"{name} has {raw.ndim} dimensions, one is needed")
    if raw.size == 0:
        return Invalid(f"{name} is empty")
    if raw.dtype.kind not in "iuf":
        return Invalid(f"{name} does not hold real numbers")
    if raw.size < minimum:
        count = "one sample" if raw.size == 1 else f"{raw.size} samples"
        return Invalid(f"{name} has {count}, at least {minimum} are needed")
    return None


def _integer_fault(raw: NDArray[np.generic], name: str) -> Invalid | None:
    """Codes of 8 or 16 bits are converter codes; wider integers are counted numbers."""
    if raw.dtype not in (np.int8, np.uint8, np.int16, np.uint16):
        return None
    limits = np.iinfo(str(raw.dtype))
    codes = raw.astype(np.int32)
    if int(codes.min()) == limits.min or int(codes.max()) == limits.max:
        return Invalid(f"{name} is clipped: codes reach the end of {raw.dtype}")
    if int(np.abs(np.diff(codes)).max(initial=0)) > _WRAP_FRACTION * (limits.max - limits.min):
        return Invalid(f"{name} overflowed: {raw.dtype} codes jump across their whole range")
    return None


def _float_fault(samples: FloatArray, name: str) -> Invalid:
    for what, mask in (("NaN", np.isnan(samples)), ("infinity", np.isinf(samples))):
        if mask.any():
            return Invalid(f"{name} has {what} at sample {int(np.argmax(mask))}")
    first = int(np.argmax(np.abs(samples) >= _OVERLOAD))
    return Invalid(f"{name} has an overload word ({samples[first]:g}) at sample {first}")


def checked_pair(
    t_s: ArrayLike, values: ArrayLike, *, minimum: int = 2
) -> tuple[FloatArray, FloatArray] | Invalid:
    """Return times (n,) in s, strictly increasing, and values (n,); or the reason why not."""
    times = checked_record(t_s, name="the time row", minimum=minimum)
    if isinstance(times, Invalid):
        return times
    samples = checked_record(values, minimum=minimum)
    if isinstance(samples, Invalid):
        return samples
    if times.size != samples.size:
        return Invalid(f"{times.size} times but {samples.size} samples")
    backwards = np.diff(times) <= 0
    if backwards.any():
        return Invalid(f"time does not increase at sample {int(np.argmax(backwards)) + 1}")
    return times, samples


def uniform_step(t_s: ArrayLike, *, tolerance: float = 0.05) -> float | Invalid:
    """Sample interval in s of an evenly sampled time row, or why it is none.

    Even means: no sample lies further than `tolerance` of one interval from the straight line
    through the first and the last time. Printed times are rounded, hence not exact equality;
    a row printed with too few digits for its interval is refused with the rest.
    """
    times = checked_record(t_s, name="the time row")
    if isinstance(times, Invalid):
        return times
    step_s = float(times[-1] - times[0]) / (times.size - 1)
    if not step_s > _FLAT_FLOOR:
        return Invalid("time does not increase")
    off_line = np.abs(times - (times[0] + step_s * np.arange(times.size)))
    worst = int(np.argmax(off_line))
    if off_line[worst] > tolerance * step_s:
        return Invalid(
            f"unevenly sampled: sample {worst} is {off_line[worst] / step_s:.2g} intervals off"
        )
    return step_s


def is_flat(low: float, high: float) -> bool:
    """Tell whether a span is nothing but the rounding of the numbers that bound it."""
    span = high - low
    return not span > max(_FLAT_FLOOR, 4 * np.finfo(np.float64).eps * max(abs(low), abs(high)))
