"""A record as pandas frames, for a notebook.

An example; ``folder`` is the folder of a record::

    >>> import runner.record
    >>> record = runner.record.open(folder)
    >>> record.simulated
    True
    >>> readings = record.readings
    >>> sorted(readings["check"].unique().tolist())
    ['load-effect', 'ripple', 'setting']
    >>> rising = readings[(readings["check"] == "setting") & (readings["direction"] == "rising")]
    >>> error_v = rising["value"] - rising["set_v"]
    >>> bool(error_v.abs().max() < 0.05)
    True
    >>> record.waveforms[["check", "name"]].iloc[0].tolist()
    ['tap-map', 'output-rising']
    >>> trace = record.waveform("tap-map", "output-rising")
    >>> trace.index.name, list(trace.columns)
    ('t_s', ['v'])
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import RecordError
from runner.record.reader import Record, WaveformLine

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RecordFrames"]


class RecordFrames:
    """One opened record; frames are made when asked for and kept."""

    def __init__(self, record: Record) -> None:
        self.record = record

    @property
    def folder(self) -> Path:
        """Where it lies."""
        return self.record.folder

    @property
    def header(self) -> dict[str, Any]:
        """The first line: versions, profile, bench, job."""
        return self.record.header

    @property
    def simulated(self) -> bool:
        """Whether the bench was simulated."""
        return self.record.simulated

    @property
    def problems(self) -> list[str]:
        """What was wrong with the journal; empty for a whole one."""
        return self.record.problems

    @cached_property
    def readings(self) -> pd.DataFrame:
        """One reading a row: its fields, and each label of its place as a column.

        Those of a soak are in ``soak``.

        Values are in the unit of column ``unit``; invalid readings have value NaN and a reason.
        """
        return self._frame("reading")

    @cached_property
    def soak(self) -> pd.DataFrame:
        """A soak's rows over ``t_s``, seconds since the first: a column a quantity, and ``stage``.

        Values in the SI unit of their quantity, NaN where nothing was read; no row without soak.
        """
        import pandas as pd

        from runner.soak.samples import samples_of

        samples = samples_of(self.record.check("soak").rows)
        if samples is None:
            return pd.DataFrame(index=pd.Index([], name="t_s"))
        index = pd.Index(samples.t_s, name="t_s")
        frame = pd.DataFrame(samples.values, index=index, columns=list(samples.quantities))
        stages = [""] * samples.t_s.size
        for stage in samples.stages:
            stages[stage.first : stage.last] = [stage.name] * (stage.last - stage.first)
        return frame.assign(stage=stages)

    @cached_property
    def events(self) -> pd.DataFrame:
        """One event a row, its fields as columns."""
        return self._frame("event")

    @cached_property
    def waveforms(self) -> pd.DataFrame:
        """One waveform a row: check, name, channel, dt_s, t0_s…; the samples by ``waveform``."""
        return self._frame("waveform")

    def _frame(self, kind: str) -> pd.DataFrame:
        import pandas as pd

        rows = []
        for line in self.record.of_kind(kind):
            row = {key: value for key, value in line.items() if key not in {"at", "prev", "kind"}}
            rows.append({**(line.get("at") or {}), **row})
        frame = pd.DataFrame(rows)
        if "t_utc" in frame:
            frame["t_utc"] = pd.to_datetime(frame["t_utc"], utc=True, format="ISO8601")
        if "value" in frame and kind == "reading":
            frame["value"] = pd.to_numeric(frame["value"])
        return frame

    def waveform(self, check: str, name: str) -> pd.DataFrame:
        """Samples in V in column ``v`` over ``t_s``, seconds from the trigger.

        :raises RecordError: no such waveform, or its file was altered
        """
        import numpy as np
        import pandas as pd

        for line in self.record.of_kind("waveform"):
            if (line.get("check"), line.get("name")) == (check, name):
                v = WaveformLine(name, line, self.folder).volts()
                t_s = float(line.get("t0_s") or 0.0) + float(line["dt_s"]) * np.arange(v.size)
                return pd.DataFrame({"v": v}, index=pd.Index(t_s, name="t_s"))
        raise RecordError(f"there is no waveform {name!r} of {check!r} in {self.folder}")
