"""Tap map: where the winding changes, both directions, against load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.plots.style import BAND, COLOURS, INK, LIMIT, Plot, drawing, finish, to_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["TapBand", "TapPoint", "plot_tap_map"]


@dataclass(frozen=True, slots=True)
class TapPoint:
    """One change of winding: tap number, direction, load (A), output voltage (V)."""

    tap: int
    direction: str
    load_a: float
    output_v: float


@dataclass(frozen=True, slots=True)
class TapBand:
    """Where the up point of one tap may lie, in V."""

    tap: int
    low_v: float
    high_v: float


def plot_tap_map(
    points: Sequence[TapPoint], bands: Sequence[TapBand], strings: Strings,
    *, check: str = "tap-map",
) -> Plot:  # fmt: skip
    """Draw one panel a tap point: output voltage across, load upwards.

    Up points are filled triangles that point right, down points hollow ones that point left;
    the allowed band of the up point is shaded between dashed lines.
    """
    taps = sorted({p.tap for p in points} | {b.tap for b in bands})
    with drawing(1, max(len(taps), 1), height_in=3.0, squeeze=False) as (figure, grid):
        for axes, tap in zip(grid[0], taps, strict=False):
            _panel(
                axes, [p for p in points if p.tap == tap], [b for b in bands if b.tap == tap],
                strings, strings.fill("plot.tap_map.panel", tap=tap, next=tap + 1),
                first=tap == taps[0],
            )  # fmt: skip
        svg = to_svg(figure)
    return Plot(
        check, "tap-map", strings.get("plot.tap_map.title"), strings.get("plot.tap_map.caption"),
        _in_words(points, taps, strings), svg,
    )  # fmt: skip


def _panel(
    axes: Axes, points: Sequence[TapPoint], bands: Sequence[TapBand], strings: Strings, title: str,
    *, first: bool,
) -> None:  # fmt: skip
    for band in bands:
        axes.axvspan(band.low_v, band.high_v, color=BAND, zorder=0)
        for edge_v in (band.low_v, band.high_v):
            axes.axvline(edge_v, color=LIMIT, linestyle=(0, (6, 2)), linewidth=1.2)
    for index, (direction, marker) in enumerate((("rising", ">"), ("falling", "<"))):
        mine = [p for p in points if p.direction == direction]
        axes.plot(
            [p.output_v for p in mine], [p.load_a for p in mine], linestyle="none",
            marker=marker, markersize=7, color=COLOURS[index],
            markerfacecolor=COLOURS[index] if direction == "rising" else "white",
            label=strings.get(f"direction.{direction}") if first else None,
        )  # fmt: skip
        if mine:
            loads = sorted({p.load_a for p in mine})
            means = [_mean([p.output_v for p in mine if p.load_a == load]) for load in loads]
            axes.plot(means, loads, color=INK, linewidth=0.8, linestyle="-" if index == 0 else ":")
    axes.set_ylim(0.0, 1.15 * max((p.load_a for p in points), default=1.0) or 1.0)
    axes.margins(x=0.12)
    finish(axes, strings.get("plot.output_v"), strings.get("plot.load_a") if first else "", title)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _in_words(points: Sequence[TapPoint], taps: Sequence[int], strings: Strings) -> str:
    said = []
    for tap in taps:
        for direction in ("rising", "falling"):
            mine = [p.output_v for p in points if p.tap == tap and p.direction == direction]
            if mine:
                said.append(
                    strings.fill(
                        "plot.tap_map.alt", tap=tap, next=tap + 1,
                        direction=strings.get(f"direction.{direction}"),
                        low=f"{min(mine):.4g}", high=f"{max(mine):.4g}",
                    )
                )  # fmt: skip
    return " ".join(said) or strings.get("plot.nothing_valid")
