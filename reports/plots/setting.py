"""Error of the output voltage against its set point, inside the limit band."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from reports.catalogue import Strings
from reports.plots.style import BAND, COLOURS, LIMIT, Plot, drawing, finish, to_svg

__all__ = ["SettingPoint", "plot_setting"]


@dataclass(frozen=True, slots=True)
class SettingPoint:
    """One point: set value (V), error (V), its expanded uncertainty (V) and the direction."""

    set_v: float
    error_v: float
    u_expanded_v: float | None
    direction: str


def plot_setting(
    points: Sequence[SettingPoint],
    limit_at: Callable[[float], float],
    strings: Strings,
    *,
    check: str = "setting",
    key: str = "setting",
) -> Plot:
    """Draw errors in mV; ``limit_at(set_v)`` is the half-width of the limit band in V.

    ``key`` picks the words: ``setting`` for the set point, ``panel`` for the unit's own meter.
    """
    import numpy as np

    set_v = np.array([p.set_v for p in points])
    grid_v = np.linspace(min(set_v.min(), 0.0), set_v.max() * 1.02, 60)
    band_mv = 1e3 * np.array([limit_at(float(v)) for v in grid_v])
    with drawing(height_in=3.1) as (figure, axes):
        axes.fill_between(grid_v, -band_mv, band_mv, color=BAND, zorder=0)
        axes.plot(
            grid_v, band_mv, color=LIMIT, linestyle=(0, (6, 2)), label=strings.get("plot.limit")
        )
        axes.plot(grid_v, -band_mv, color=LIMIT, linestyle=(0, (6, 2)))
        axes.axhline(0.0, color="#555555", linewidth=0.8)
        for index, direction in enumerate(sorted({p.direction for p in points}, reverse=True)):
            mine = [p for p in points if p.direction == direction]
            axes.errorbar(
                [p.set_v for p in mine],
                [1e3 * p.error_v for p in mine],
                yerr=[1e3 * (p.u_expanded_v or 0.0) for p in mine],
                color=COLOURS[index], marker="^" if direction == "rising" else "v",
                markerfacecolor=COLOURS[index] if direction == "rising" else "white",
                linestyle="-" if direction == "rising" else ":", linewidth=1.0, capsize=2.5,
                elinewidth=0.9, label=strings.get(f"direction.{direction}", direction),
            )  # fmt: skip
        finish(axes, strings.get("plot.set_v"), strings.get("plot.error_mv"))
        svg = to_svg(figure)
    worst = max(points, key=lambda p: abs(p.error_v) / max(limit_at(p.set_v), 1e-12))
    return Plot(
        check, "setting-error", strings.get(f"plot.{key}.title"),
        strings.get(f"plot.{key}.caption"),
        strings.fill(
            f"plot.{key}.alt", worst_mv=f"{1e3 * worst.error_v:.3g}",
            at_v=f"{worst.set_v:.4g}", limit_mv=f"{1e3 * limit_at(worst.set_v):.3g}",
        ),
        svg,
    )  # fmt: skip
