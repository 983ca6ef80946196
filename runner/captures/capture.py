"""What a scope's file holds, once it is understood."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from runner.signals.samples import FloatArray

__all__ = ["Capture", "Channel"]


@dataclass(frozen=True, eq=False)
class Channel:
    """One trace: samples (n,) in `unit` (V or A, no prefix), NaN where the file has a gap.

    `envelope` holds the lower and upper trace, each (n,), when the file gives pairs of minimum
    and maximum; `samples` is then the middle of each pair and no true waveform.
    """

    name: str
    unit: str
    samples: FloatArray
    envelope: tuple[FloatArray, FloatArray] | None = None


@dataclass(frozen=True, eq=False)
class Capture:
    """All channels of a file, on one time row (n,) in s.

    `dt_s` is the sample interval, None when the file is sampled unevenly. `pieces` are the
    stretches without a gap, as (start, stop) row numbers. `notes` say what each column was
    taken for and what was odd.
    """

    path: Path
    t_s: FloatArray
    dt_s: float | None
    pieces: tuple[tuple[int, int], ...]
    channels: tuple[Channel, ...]
    notes: tuple[str, ...]
