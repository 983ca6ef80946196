"""A quantity over hours: drift and soak."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.decimate import keep_extremes
from reports.numbers import scale_for
from reports.plots.style import COLOURS, MARKERS, Plot, drawing, finish, to_svg

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["plot_over_time"]


def plot_over_time(
    series: Sequence[tuple[str, str, NDArray[np.float64], NDArray[np.float64]]],
    title: str,
    caption: str,
    strings: Strings,
    *,
    check: str,
) -> Plot:
    """Draw (label, unit, seconds since the start, values) series, one panel each."""
    import numpy as np

    longest_s = max(float(np.ptp(t_s)) for _, _, t_s, _ in series)
    per, time_unit = next(
        (p, u)
        for p, u in ((3600.0, "h"), (60.0, "min"), (1.0, "s"))
        if longest_s >= 2 * p or p == 1
    )
    said = []
    with drawing(len(series), 1, height_in=0.8 + 1.5 * len(series), sharex=True, squeeze=False) as (
        figure, grid,
    ):  # fmt: skip
        for index, (label, unit, t_s, values) in enumerate(series):
            axes = grid[index][0]
            scale = scale_for(float(np.abs(values).max()), unit)
            t, y = keep_extremes(t_s / per, values / scale.factor)
            few = values.size <= 60
            axes.plot(
                t, y, color=COLOURS[index % 6], linewidth=0.8,
                marker=MARKERS[index % 6] if few else None,
            )  # fmt: skip
            last = index == len(series) - 1
            x_label = f"{strings.get('plot.time')} / {time_unit}" if last else ""
            finish(axes, x_label, scale.unit, label)
            said.append(
                strings.fill(
                    "plot.trace.alt", label=label, low=f"{values.min() / scale.factor:.6g}",
                    high=f"{values.max() / scale.factor:.6g}", unit=scale.unit,
                )
            )  # fmt: skip
        svg = to_svg(figure)
    return Plot(check, "over-time", title, caption, " ".join(said).replace("-", "−"), svg)
