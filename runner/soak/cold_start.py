"""The cold start that follows a soak: what it is held against, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from runner.errors import BenchError, InputError
from runner.operator.requests import AskYesNo, Operator
from runner.record.reader import open_record
from runner.soak.plan import COLD_START
from runner.soak.samples import Samples, samples_of

__all__ = ["REST_LEAST_H", "ask_if_cold", "before_of", "first_minute_v", "rest_h"]

REST_LEAST_H = 4.0
"""A heatsink of a few hundred grams is at room temperature by then (common practice)."""
END_S = 600.0
MINUTE_S = 60.0
ASKED = (
    "Cold start: has the unit been off since its soak, and is its heatsink no warmer than the room?"
)


def before_of(folder: Path, serial: str) -> dict[str, Any]:
    """Read from a soak what its cold start is held against: set point, output and time at its end.

    :raises InputError: no soak, no stage at constant load, or another unit's
    :raises RecordError: it cannot be read
    """
    record = open_record(folder)
    theirs = str((record.header.get("job") or {}).get("serial", ""))
    if theirs != serial:
        raise InputError(
            "the cold start follows a soak of the same unit", key="--after",
            expected=repr(serial), found=repr(theirs),
        )  # fmt: skip
    samples = samples_of(record.check("soak").rows)
    stage = None if samples is None else next((s for s in samples.stages if s.name == "hold"), None)
    if samples is None or stage is None:
        raise InputError(
            "there is no soak at constant load to follow", key="--after",
            expected="the record of a soak with the stage hold", found=str(folder),
        )  # fmt: skip
    t_s, volts = samples.read("output-voltage", ("hold",))
    last = volts[t_s >= t_s[-1] - END_S]
    ended = str(next(reversed(list(record.of_kind("end"))), record.header)["t_utc"])
    return {
        "record": record.folder.name, "set_v": stage.set_v, "end_v": float(np.median(last)),
        "ended_utc": ended,
    }  # fmt: skip


def ask_if_cold(operator: Operator) -> None:
    """Ask the person.

    :raises BenchError: it is not cold, or nobody is there to say so
    """
    if not operator.answer(AskYesNo(f"{COLD_START}:cold", ASKED)).done:
        raise BenchError("the unit is not known to be cold: a cold start shows nothing on it")


def rest_h(before: Mapping[str, Any], begun: str) -> float:
    """Hours from the end of the soak to the first row, by the wall clock."""
    begin, end = (datetime.fromisoformat(str(t)) for t in (begun, before["ended_utc"]))
    return (begin - end).total_seconds() / 3600.0


def first_minute_v(samples: Samples) -> float | None:
    """Mean output of the first minute at load from cold, in V; None where there was none."""
    t_s, volts = samples.read("output-voltage", (COLD_START,))
    return float(volts[t_s < t_s[0] + MINUTE_S].mean()) if t_s.size else None
