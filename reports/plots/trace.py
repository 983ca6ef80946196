"""Scope records: volts against time, thinned so that every peak stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.decimate import keep_extremes
from reports.numbers import scale_for
from reports.plots.style import COLOURS, INK, Plot, drawing, finish, to_svg

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

__all__ = ["Trace", "plot_traces"]


@dataclass(frozen=True, eq=False)
class Trace:
    """One record: what it shows, seconds and volts, both of shape (n_samples,)."""

    label: str
    t_s: NDArray[np.float64]
    v: NDArray[np.float64]


def plot_traces(
    columns: Sequence[tuple[str, Sequence[Trace]]],
    title: str,
    caption: str,
    strings: Strings,
    *,
    check: str,
    name: str,
) -> Plot:
    """Draw (heading, traces) columns side by side, the traces of each under each other."""
    import numpy as np

    rows = max(len(traces) for _, traces in columns)
    longest_s = max(float(np.ptp(trace.t_s)) for _, traces in columns for trace in traces)
    said = []
    with drawing(rows, len(columns), height_in=0.9 + 1.35 * rows, sharex="col", squeeze=False) as (
        figure,
        grid,
    ):
        for column, (heading, traces) in enumerate(columns):
            for row, trace in enumerate(traces):
                label = f"{heading}, {trace.label}".strip(", ")
                said.append(_panel(grid[row][column], trace, row, longest_s, label, strings))
            unit = scale_for(longest_s, "s").unit
            grid[rows - 1][column].set_xlabel(f"{strings.get('plot.time')} / {unit}")
            for row in range(len(traces), rows):
                grid[row][column].set_axis_off()
        svg = to_svg(figure)
    return Plot(check, name, title, caption, " ".join(said).replace("-", "−"), svg)


def _panel(
    axes: Axes, trace: Trace, row: int, longest_s: float, label: str, strings: Strings
) -> str:
    """Draw one trace and say its extremes in words."""
    import numpy as np

    time, volts = scale_for(longest_s, "s"), scale_for(float(np.abs(trace.v).max()), "V")
    drawn_t, drawn_v = keep_extremes(trace.t_s / time.factor, trace.v / volts.factor, 1600)
    axes.plot(drawn_t, drawn_v, color=COLOURS[row % 6], linewidth=0.8)
    if trace.t_s[0] < 0 < trace.t_s[-1]:
        axes.axvline(0.0, color=INK, linewidth=0.8, linestyle=":")
    finish(axes, "", volts.unit, label)
    return strings.fill(
        "plot.trace.alt", label=label, low=f"{trace.v.min() / volts.factor:.4g}",
        high=f"{trace.v.max() / volts.factor:.4g}", unit=volts.unit,
    )  # fmt: skip
