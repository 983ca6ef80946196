"""A soak over its hours: the output as the distance from its stage's median, the rest as read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.decimate import keep_extremes
from reports.numbers import Scale, scale_for
from reports.plots.style import COLOURS, INK, Plot, drawing, finish, to_svg

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from runner.soak.samples import Samples

    Piece = tuple[NDArray[np.float64], NDArray[np.float64]]

__all__ = ["plot_night"]

OUTPUT = "output-voltage"
QUANTITIES = (
    OUTPUT, "load-current", "inlet-power", "heatsink-temperature", "line-voltage", "ripple-rms",
)  # fmt: skip
SWITCHING = "tap-cycles"
"""In this stage the set point itself moves: no distance from a median is drawn."""
FEW = 200
MOST_POINTS = 2400
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class _Panel:
    """One curve in stretches that no gap parts; times in s."""

    label: str
    unit: str
    pieces: list[Piece]

    def ends(self) -> tuple[float, float]:
        """Least and greatest value."""
        return (
            min(float(v.min()) for _, v in self.pieces),
            max(float(v.max()) for _, v in self.pieces),
        )


def plot_night(
    samples: Samples, strings: Strings, quantities: Sequence[str] = QUANTITIES
) -> list[Plot]:
    """Draw what was read, a panel a quantity; nothing where there are no two readings."""
    panels = [panel for name in quantities for panel in _panels(samples, name, strings)]
    if not panels:
        return []
    span_s = float(samples.t_s[-1])
    per, unit = (HOUR_S, "h") if span_s >= 2 * HOUR_S else (60.0, "min")
    said = []
    height_in = 0.9 + 1.35 * len(panels)
    with drawing(len(panels), 1, height_in=height_in, sharex=True, squeeze=False) as (figure, grid):
        for index, panel in enumerate(panels):
            axes = grid[index][0]
            low, high = panel.ends()
            scale = scale_for(max(abs(low), abs(high)), panel.unit)
            _draw(axes, panel, per, scale, COLOURS[index % len(COLOURS)])
            _mark_stages(axes, samples, per, named=index == 0)
            last = index == len(panels) - 1
            finish(axes, f"{strings.get('plot.time')} / {unit}" if last else "", scale.unit)
            axes.set_title(panel.label, loc="left", fontweight="bold", pad=14 if index == 0 else 4)
            said.append(
                strings.fill(
                    "plot.trace.alt", label=panel.label, low=f"{low / scale.factor:.4g}",
                    high=f"{high / scale.factor:.4g}", unit=scale.unit,
                )
            )  # fmt: skip
        svg = to_svg(figure)
    title, caption = strings.get("plot.night.title"), strings.get("plot.night.caption")
    return [Plot("soak", "night", title, caption, " ".join(said).replace("-", "−"), svg)]


def _panels(samples: Samples, name: str, strings: Strings) -> Iterator[_Panel]:
    pieces = list(_pieces(samples, name))
    if sum(t_s.size for t_s, _ in pieces) < 2:
        return
    unit = samples.units[samples.quantities.index(name)]
    key = "plot.night.output" if name == OUTPUT else f"quantity.{name}"
    yield _Panel(strings.get(key, name), unit, pieces)


def _pieces(samples: Samples, name: str) -> Iterator[Piece]:
    """Stretches between gaps; the output's also between stages, about its stage's median."""
    import numpy as np

    column = samples.column(name)
    if name != OUTPUT:
        yield from _cut(samples, samples.t_s, column)
        return
    for stage in samples.stages:
        here = slice(stage.first, stage.last)
        if stage.name == SWITCHING or not np.isfinite(column[here]).any():
            continue
        yield from _cut(samples, samples.t_s[here], column[here] - np.nanmedian(column[here]))


def _cut(
    samples: Samples, t_s: NDArray[np.float64], values: NDArray[np.float64]
) -> Iterator[Piece]:
    import numpy as np

    cuts = np.searchsorted(t_s, [at_s for at_s, _ in samples.gaps], side="right")
    for part in np.split(np.arange(t_s.size), cuts):
        read = part[np.isfinite(values[part])]
        if read.size:
            yield t_s[read], values[read]


def _draw(axes: Axes, panel: _Panel, per: float, scale: Scale, colour: str) -> None:
    whole = sum(t_s.size for t_s, _ in panel.pieces)
    for t_s, values in panel.pieces:
        most = max(4, round(MOST_POINTS * t_s.size / whole))
        t, y = keep_extremes(t_s / per, values / scale.factor, most)
        axes.plot(t, y, color=colour, linewidth=0.8, marker="o" if whole <= FEW else None,
                  markersize=2.5)  # fmt: skip


def _mark_stages(axes: Axes, samples: Samples, per: float, *, named: bool) -> None:
    """Thin lines where stages begin, their names above the first panel, gaps as pale strips.

    A stage that was taken up again is named once.
    """
    before = ""
    for number, stage in enumerate(samples.stages):
        begin = float(samples.t_s[stage.first]) / per
        if number:
            axes.axvline(begin, color=INK, linewidth=0.7, linestyle=(0, (2, 2)))
        if named and stage.name != before:
            axes.annotate(
                stage.name, (begin, 1.0), xycoords=("data", "axes fraction"), xytext=(2, 2),
                textcoords="offset points", fontsize=7.5,
            )  # fmt: skip
        before = stage.name
    for at_s, length_s in samples.gaps:
        axes.axvspan(at_s / per, (at_s + length_s) / per, color="#dddddd", hatch="//", linewidth=0)
