"""The rows of a soak as arrays, with stages and gaps. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.reading import Reading
from runner.record.journal import ROW_KIND
from runner.record.rows import BLOCK_KIND
from runner.soak.clocks import SLEPT

__all__ = ["Samples", "SoakStage", "samples_of"]

Floats = NDArray[np.float64]
GAP_ROWS, GAP_MARGIN_S = 3.0, 1.0
"""As the loop itself lists them: more than so many intervals, and so long beyond them."""
SWINGS, SWING_S = "tap-cycles", 5.0
"""Going over a tap point and back takes a while, on purpose and without rows."""
RIPPLE, LOOK_S = "ripple-rms", 15.0
"""So does measuring ripple between two rows."""


@dataclass(frozen=True, slots=True)
class SoakStage:
    """One stage as it was done: rows ``first`` to ``last`` (exclusive)."""

    name: str
    set_v: float
    load_a: float
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Samples:
    """``t_s`` (n,) seconds since the first row, ``values`` (n, columns), NaN where not read.

    ``gaps`` are (second at which it began, length in s); they are not soak time.
    """

    quantities: tuple[str, ...]
    units: tuple[str, ...]
    instruments: tuple[str, ...]
    functions: tuple[str, ...]
    every_s: float
    t_s: Floats
    values: Floats
    stages: tuple[SoakStage, ...]
    gaps: tuple[tuple[float, float], ...]
    begun: str
    resumed: int

    @property
    def soak_s(self) -> float:
        """Time soaked in s; gaps and the setting of stages left out."""
        return sum(map(self._stage_s, self.stages)) if self.t_s.size > 1 else 0.0

    def _stage_s(self, stage: SoakStage) -> float:
        """Time of one stage without its gaps; a row stands for the time to the next."""
        begun_s, end_s = float(self.t_s[stage.first]), float(self.t_s[stage.last - 1])
        away_s = sum(length for at_s, length in self.gaps if begun_s <= at_s < end_s)
        return end_s - begun_s + self.every_s - away_s

    def left_out(self, stage_name: str = "") -> int:
        """Rows that were due and not taken: bench or computer were busy with something else.

        In one stage or, without a name, in all; gaps and going over tap points do not count.
        """
        missing = 0
        for stage in self.stages:
            if stage.name == SWINGS or (stage_name and stage.name != stage_name):
                continue
            due = round(self._stage_s(stage) / self.every_s)
            missing += max(0, due - (stage.last - stage.first))
        return missing

    def column(self, quantity: str) -> Floats:
        """Values of one quantity, shape (n,); all NaN when the bench could not read it."""
        if quantity not in self.quantities:
            return np.full(self.t_s.size, np.nan)
        return self.values[:, self.quantities.index(quantity)]

    def reading(self, quantity: str, value: float) -> Reading:
        """Return a value as the reading of its column's instrument, for its accuracy."""
        at = self.quantities.index(quantity)
        return Reading(quantity, value, self.units[at], self.instruments[at], self.functions[at])

    def read(self, quantity: str, stages: Sequence[str] = ()) -> tuple[Floats, Floats]:
        """Times and values of the rows (of these stages) in which a quantity was read."""
        values = self.column(quantity)
        keep = np.isfinite(values)
        if stages:
            inside = np.zeros(self.t_s.size, dtype=bool)
            for stage in self.stages:
                if stage.name in stages:
                    inside[stage.first : stage.last] = True
            keep &= inside
        return self.t_s[keep], values[keep]


def samples_of(lines: Sequence[Mapping[str, Any]]) -> Samples | None:
    """Gather a soak's lines (``CheckData.rows``); None when there is no row.

    After a resume the running clock may have begun anew: the wall clock tells how long the
    pause was. While the computer slept it stood still: the line that says so has the length.
    """
    columns: list[dict[str, str]] = []
    every_s, resumed = 1.0, 0
    times: list[Floats] = []
    values: list[Floats] = []
    marks: list[tuple[str, float, float, int]] = []
    base_s, last_mono_s, rows = 0.0, 0.0, 0
    last_utc: Callable[[], str] = str
    begun, breaks = "", []
    for line in lines:
        kind = line["kind"]
        if kind in (ROW_KIND, BLOCK_KIND):
            mono_s, block, end_utc = _rows_of(line)
            begun = begun or str(line["t_utc"])
            times.append(base_s + mono_s)
            values.append(block)
            rows += mono_s.size
            last_mono_s, last_utc = float(mono_s[-1]), end_utc
        elif kind == "columns":
            columns, every_s = line["columns"], float(line["every_s"])
        elif kind == "stage":
            marks.append((line["name"], float(line["set_v"]), float(line["load_a"]), rows))
        elif kind == "resume" and times:
            resumed += 1
            breaks.append(rows - 1)
            pause_s = max(0.0, _seconds(last_utc(), line["t_utc"]))
            base_s += last_mono_s + pause_s - line["t_mono_s"]
        elif line.get("what") == SLEPT and times:
            breaks.append(rows - 1)
            base_s += float(line["seconds"])
    if not columns or not values or {block.shape[1] for block in values} != {len(columns)}:
        return None
    t_s, whole = np.concatenate(times), np.concatenate(values)
    t_s = t_s - t_s[0]
    names = [str(column["quantity"]) for column in columns]
    looked = np.zeros(t_s.size, dtype=bool)
    if RIPPLE in names:
        looked = np.isfinite(whole[:, names.index(RIPPLE)])
    ends = [mark[3] for mark in marks[1:]] + [rows]
    stages = tuple(
        SoakStage(*mark, last=end)
        for mark, end in zip(marks, ends, strict=True)
        if end > mark[3]
    )  # fmt: skip
    return Samples(
        quantities=tuple(names),
        units=tuple(str(c["unit"]) for c in columns),
        instruments=tuple(str(c["instrument"]) for c in columns),
        functions=tuple(str(c["function"]) for c in columns),
        every_s=every_s, t_s=t_s, values=whole, stages=stages,
        gaps=_gaps(t_s, every_s, breaks, stages, looked), begun=begun, resumed=resumed,
    )  # fmt: skip


def _rows_of(line: Mapping[str, Any]) -> tuple[Floats, Floats, Callable[[], str]]:
    """Times (n,), values (n, columns), and what tells the last one's wall time."""
    if line["kind"] == BLOCK_KIND:
        block = line["rows"]
        return block.t_mono_s, block.values, lambda: str(block.last["t_utc"])
    values = np.array([line["v"]], dtype=np.float64)
    return np.array([line["t_mono_s"]], dtype=np.float64), values, lambda: str(line["t_utc"])


def _gaps(
    t_s: Floats,
    every_s: float,
    breaks: Sequence[int],
    stages: Sequence[SoakStage],
    looked: NDArray[np.bool_],
) -> tuple[tuple[float, float], ...]:
    """Long steps between rows, and every step across a resume or a sleep (``breaks``: rows
    before one).

    Setting the next stage writes no rows, which is no gap, nor is it one when the scope measured
    ripple before a row (``looked``, (n,)).
    """
    steps = np.diff(t_s)
    margin_s = np.full(steps.size, GAP_MARGIN_S)
    for stage in stages:
        if stage.name == SWINGS:
            margin_s[stage.first : stage.last - 1] = SWING_S
        if stage.first > 0:
            margin_s[stage.first - 1] = np.inf
    margin_s[looked[1:]] = LOOK_S
    long = steps > GAP_ROWS * every_s + margin_s
    long[[at for at in breaks if at < long.size]] = True
    found = np.flatnonzero(long)
    return tuple((float(t_s[i]), float(steps[i] - every_s)) for i in found)


def _seconds(before: str, after: str) -> float:
    try:
        return (datetime.fromisoformat(after) - datetime.fromisoformat(before)).total_seconds()
    except ValueError:
        return 0.0
