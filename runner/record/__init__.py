"""The record of a job: the only truth, from which everything else is derived.

In a notebook: ``from runner.record import open`` and see :mod:`runner.record.frames`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.record.frames import RecordFrames

__all__ = ["open"]


def open(path: Path | str) -> RecordFrames:
    """Open a record folder for work in a notebook: pandas frames and waveforms.

    :raises RecordError: not a record
    """
    from runner.record.frames import RecordFrames
    from runner.record.reader import open_record

    return RecordFrames(open_record(Path(path)))
