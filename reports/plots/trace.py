"""A scope record: volts against time, thinned so that every peak stays."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.decimate import keep_extremes
from reports.numbers import scale_for
from reports.plots.style import COLOURS, INK, Plot, drawing, finish, to_svg

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["plot_traces"]


def plot_traces(
    traces: Sequence[tuple[str, NDArray[np.float64], NDArray[np.float64]]],
    title: str,
    caption: str,
    strings: Strings,
    *,
    check: str,
    name: str,
    mark_zero: bool = True,
) -> Plot:
    """Draw (label, time in s, volts) traces under each other on one time axis."""
    import numpy as np

    longest_s = max(float(np.ptp(t_s)) for _, t_s, _ in traces)
    time = scale_for(longest_s, "s")
    said = []
    height_in = 1.5 + 1.15 * len(traces)
    with drawing(len(traces), 1, height_in=height_in, sharex=True, squeeze=False) as (
        figure, grid,
    ):  # fmt: skip
        for index, (label, t_s, v) in enumerate(traces):
            axes = grid[index][0]
            volts = scale_for(float(np.abs(v).max()), "V")
            drawn_t, drawn_v = keep_extremes(t_s / time.factor, v / volts.factor)
            axes.plot(drawn_t, drawn_v, color=COLOURS[index % 6], linewidth=0.8)
            if mark_zero and t_s[0] < 0 < t_s[-1]:
                axes.axvline(0.0, color=INK, linewidth=0.8, linestyle=":")
            last = index == len(traces) - 1
            finish(
                axes,
                f"{strings.get('plot.time')} / {time.unit}" if last else "",
                f"{strings.get('plot.voltage')} / {volts.unit}",
                label,
            )
            said.append(
                strings.fill(
                    "plot.trace.alt", label=label, low=f"{v.min() / volts.factor:.4g}",
                    high=f"{v.max() / volts.factor:.4g}", unit=volts.unit,
                )
            )  # fmt: skip
        svg = to_svg(figure)
    return Plot(check, name, title, caption, " ".join(said).replace("-", "−"), svg)
