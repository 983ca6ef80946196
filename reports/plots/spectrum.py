"""Spectrum of a ripple record, mains frequency and its double marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.decimate import keep_extremes
from reports.plots.style import COLOURS, INK, Plot, drawing, finish, to_svg

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["plot_spectrum"]


def plot_spectrum(
    frequency_hz: NDArray[np.float64],
    amplitude_v: NDArray[np.float64],
    mains_hz: float,
    where: str,
    strings: Strings,
    *,
    check: str = "ripple",
) -> Plot:
    """Draw peak amplitude in dB against 1 µV over a logarithmic frequency axis.

    ``frequency_hz`` and ``amplitude_v`` have shape (n_bins,); the bin at 0 Hz is left out.
    ``where`` says at which point of the check the record was taken.
    """
    import numpy as np
    from matplotlib.ticker import EngFormatter, NullFormatter

    keep = frequency_hz > 0
    f_hz, level = frequency_hz[keep], 20 * np.log10(np.maximum(amplitude_v[keep], 1e-9) / 1e-6)
    drawn_hz, drawn = keep_extremes(f_hz, level, 1600)
    with drawing(height_in=3.0) as (figure, axes):
        axes.plot(drawn_hz, drawn, color=COLOURS[0], linewidth=0.9)
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(EngFormatter(sep=" "))
        axes.xaxis.set_minor_formatter(NullFormatter())
        top = float(level.max())
        marked = []
        for order, marker in ((1, "v"), (2, "D")):
            index = int(np.argmin(np.abs(f_hz - order * mains_hz)))
            marked.append(float(level[index]))
            axes.plot(
                [f_hz[index]], [level[index]], marker=marker, color=COLOURS[1], linestyle="none",
                markeredgecolor=INK,
                label=f"{'f' if order == 1 else '2f'} = {order * mains_hz:.4g} Hz",
            )  # fmt: skip
        axes.set_ylim(max(float(np.percentile(level, 1)) - 6, top - 120), top + 8)
        finish(axes, strings.get("plot.frequency_hz"), strings.get("plot.level_dbuv"))
        svg = to_svg(figure)
    return Plot(
        check, "spectrum", strings.fill("plot.spectrum.title", where=where),
        strings.get("plot.spectrum.caption"),
        strings.fill("plot.spectrum.alt", f_db=f"{marked[0]:.0f}", f2_db=f"{marked[1]:.0f}"),
        svg,
    )  # fmt: skip
