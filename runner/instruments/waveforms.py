"""From a scope's bytes to volts and seconds; pure functions, one for each way of scaling.

``raw`` is the record as integers (or volts), shape (n_samples,); ``head`` the preamble's
numbers, ``facts`` the numbers asked for by name. Formulas as the makers print them; where two
makers use the same ten fields for two formulas there are two functions.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.errors import FramingError

__all__ = ["DECODERS", "Record", "Scaling", "samples_from"]

_NO_VOLTS = 9e36
_DTYPES = {"uint8": "u1", "int8": "i1", "uint16": "u2", "int16": "i2", "float32": "f4"}


@dataclass(frozen=True, slots=True)
class Record:
    """Volts at the probe tip, sample spacing and first sample's time from the trigger."""

    v: NDArray[np.float64]
    dt_s: float
    t0_s: float
    lsb_v: float


@dataclass(frozen=True, slots=True)
class Scaling:
    """What a decoder gets besides the samples."""

    head: Sequence[float]
    head_block: bytes
    facts: Mapping[str, float]


def samples_from(data: bytes, sample: str, order: str) -> NDArray[np.generic]:
    """The bytes as samples.

    :raises FramingError: no whole number of samples
    """
    dtype = np.dtype(("<" if order == "little" else ">") + _DTYPES[sample])
    if len(data) % dtype.itemsize:
        raise FramingError(f"{len(data)} bytes are no whole number of {sample} samples")
    return np.frombuffer(data, dtype=dtype)


def ten_fields(raw: NDArray[np.generic], scaling: Scaling) -> Record:
    """format, type, points, count, xinc, xorigin, xref, yinc, yorigin, yref.

    v = (raw − yref)·yinc + yorigin; t = (i − xref)·xinc + xorigin.
    """
    _, _, _, _, x_step, x_origin, x_ref, y_step, y_origin, y_ref = _ten(scaling.head)
    v = (raw.astype(np.float64) - y_ref) * y_step + y_origin
    return Record(v, x_step, x_origin - x_ref * x_step, abs(y_step))


def ten_fields_offset_first(raw: NDArray[np.generic], scaling: Scaling) -> Record:
    """The same ten fields with v = (raw − yorigin − yref)·yinc; t = i·xinc + xorigin."""
    _, _, _, _, x_step, x_origin, _, y_step, y_origin, y_ref = _ten(scaling.head)
    v = (raw.astype(np.float64) - y_origin - y_ref) * y_step
    return Record(v, x_step, x_origin, abs(y_step))


def siglent_codes(raw: NDArray[np.generic], scaling: Scaling) -> Record:
    """25 codes a division: v = raw·vdiv/25 − offset; the screen is 14 divisions wide."""
    vdiv, offset = scaling.facts["vdiv"], scaling.facts["offset"]
    rate, tdiv = scaling.facts["rate"], scaling.facts["tdiv"]
    v = raw.astype(np.float64) * vdiv / 25.0 - offset
    return Record(v, 1.0 / rate, -tdiv * 7.0, vdiv / 25.0)


def siglent_descriptor(raw: NDArray[np.generic], scaling: Scaling) -> Record:
    """A binary description: little-endian fields at fixed places, probe to be multiplied in."""
    block = scaling.head_block
    if len(block) < 0x14C:
        raise FramingError(f"a waveform description of 346 bytes was due, found {len(block)}")
    vdiv, offset, codes = (struct.unpack_from("<f", block, at)[0] for at in (0x9C, 0xA0, 0xA4))
    (dt_s,) = struct.unpack_from("<f", block, 0xB0)
    (delay_s,) = struct.unpack_from("<d", block, 0xB4)
    (probe,) = struct.unpack_from("<f", block, 0x148)
    step = vdiv / codes * probe
    v = raw.astype(np.float64) * step - offset * probe
    return Record(v, dt_s, -scaling.facts["tdiv"] * 5.0 + delay_s, step)


def tek_fields(raw: NDArray[np.generic], scaling: Scaling) -> Record:
    """v = (raw − yoff)·ymult + yzero; t = xzero + i·xincr."""
    facts = scaling.facts
    v = (raw.astype(np.float64) - facts["yoff"]) * facts["ymult"] + facts["yzero"]
    return Record(v, facts["xincr"], facts["xzero"], abs(facts["ymult"]))


def real_volts(raw: NDArray[np.generic], scaling: Scaling) -> Record:
    """Volts already; head is xstart, xstop, n, values an interval.

    What stands for no number or infinity (9.91E37, ±9.9E37, SCPI-1999 vol. 1, 7.2.1.5) is NaN.
    """
    if len(scaling.head) != 4:
        raise FramingError(f"4 fields were due in the data header, found {len(scaling.head)}")
    start_s, stop_s, n, _ = scaling.head
    if n < 2:
        raise FramingError("the scope has no data yet")
    v = raw.astype(np.float64)
    v[np.abs(v) > _NO_VOLTS] = np.nan
    levels = np.unique(v[np.isfinite(v)])
    lsb = float(np.min(np.diff(levels))) if levels.size > 1 else 0.0
    return Record(v, (stop_s - start_s) / (n - 1), start_s, lsb)


def _ten(head: Sequence[float]) -> Sequence[float]:
    if len(head) != 10:
        raise FramingError(f"10 fields were due in the preamble, found {len(head)}")
    if head[4] <= 0 or head[7] == 0:
        raise FramingError("the preamble gives no step of time or voltage")
    return head


DECODERS: Mapping[str, Callable[[NDArray[np.generic], Scaling], Record]] = {
    "ten-fields": ten_fields,
    "ten-fields-offset-first": ten_fields_offset_first,
    "siglent-codes": siglent_codes,
    "siglent-descriptor": siglent_descriptor,
    "tek-fields": tek_fields,
    "real-volts": real_volts,
}
