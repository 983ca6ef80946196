"""Load line: output voltage against load current."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reports.catalogue import Strings
from reports.plots.style import COLOURS, LIMIT, MARKERS, Plot, drawing, finish, to_svg

__all__ = ["LoadPoint", "plot_load_line"]


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """Output voltage (V) at a load (A), at one set point (V)."""

    set_v: float
    load_a: float
    output_v: float


def plot_load_line(
    points: Sequence[LoadPoint],
    limit_at: Sequence[tuple[float, float]],
    strings: Strings,
    *,
    check: str = "load-effect",
) -> Plot:
    """Draw the change from no load in mV, one line a set point.

    ``limit_at`` pairs each set point (V) with the change allowed (V); it is drawn as a dashed
    line of the set point's colour.
    """
    with drawing(height_in=2.9) as (figure, axes):
        falls: list[str] = []
        for index, set_v in enumerate(sorted({p.set_v for p in points})):
            mine = sorted((p for p in points if p.set_v == set_v), key=lambda p: p.load_a)
            start_v = mine[0].output_v
            change_mv = [1e3 * (p.output_v - start_v) for p in mine]
            falls.append(f"{change_mv[-1]:.3g} mV at {set_v:.4g} V".replace("-", "−"))
            axes.plot(
                [p.load_a for p in mine], change_mv, color=COLOURS[index % 6],
                marker=MARKERS[index % 6], markerfacecolor="white" if index % 2 else None,
                linestyle=("-", "--", ":")[index % 3],
                label=strings.fill("plot.at_set", set_v=f"{set_v:.4g}"),
            )  # fmt: skip
        for index, (_, allowed_v) in enumerate(sorted(limit_at)[-1:]):
            label = strings.get("plot.limit") if index == 0 else None
            axes.axhline(-1e3 * allowed_v, color=LIMIT, linestyle=(0, (6, 2)), label=label)
        axes.axhline(0.0, color="#555555", linewidth=0.8)
        finish(axes, strings.get("plot.load_a"), strings.get("plot.change_mv"))
        svg = to_svg(figure)
    return Plot(
        check, "load-line", strings.get("plot.load_line.title"),
        strings.get("plot.load_line.caption"),
        strings.fill("plot.load_line.alt", falls="; ".join(falls)), svg,
    )  # fmt: skip
