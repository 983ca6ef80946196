"""Plain curves: one or several series of points over one abscissa, with a limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from reports.catalogue import Strings
from reports.plots.style import COLOURS, MARKERS, Plot, drawing, finish, limit_line, to_svg

__all__ = ["plot_curves"]

Points = Sequence[tuple[float, float]]


def plot_curves(
    curves: Mapping[str, Points],
    key: str,
    strings: Strings,
    *,
    check: str,
    limits: Sequence[float] = (),
    logarithmic: bool = False,
) -> Plot:
    """Draw named curves of (x, y) points; words come from ``plot.<key>`` of the catalogue.

    ``limits`` are drawn across, in the unit of y. ``logarithmic`` applies to x.
    """
    with drawing(height_in=2.9) as (figure, axes):
        for index, (label, points) in enumerate(curves.items()):
            ordered = sorted(points)
            axes.plot(
                [x for x, _ in ordered], [y for _, y in ordered], color=COLOURS[index % 6],
                marker=MARKERS[index % 6], markerfacecolor="white" if index % 2 else None,
                linestyle=("-", "--", ":")[index % 3], label=label,
            )  # fmt: skip
        for index, limit in enumerate(limits):
            limit_line(axes, limit, strings.get("plot.limit") if index == 0 else None)
        if logarithmic:
            _logarithmic(axes)
        finish(axes, strings.get(f"plot.{key}.x"), strings.get(f"plot.{key}.y"))
        svg = to_svg(figure)
    ends = [y for points in curves.values() for _, y in points]
    words = strings.fill(
        "plot.curves_alt", title=strings.get(f"plot.{key}.title"), y=strings.get(f"plot.{key}.y"),
        low=f"{min(ends):.4g}", high=f"{max(ends):.4g}",
    )  # fmt: skip
    return Plot(
        check, key, strings.get(f"plot.{key}.title"), strings.get(f"plot.{key}.caption"),
        words.replace("-", "−"), svg,
    )  # fmt: skip


def _logarithmic(axes: object) -> None:
    from matplotlib.axes import Axes
    from matplotlib.ticker import EngFormatter, NullFormatter

    if isinstance(axes, Axes):
        axes.set_xscale("log")
        axes.set_ylim(bottom=0.0)
        axes.xaxis.set_major_formatter(EngFormatter(sep=" "))
        axes.xaxis.set_minor_formatter(NullFormatter())
