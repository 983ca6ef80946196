"""Ripple against set point, one line a load, with its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.plots.style import COLOURS, MARKERS, Plot, drawing, finish, limit_line, to_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["RipplePoint", "plot_ripple"]

_FAR = 10.0


@dataclass(frozen=True, slots=True)
class RipplePoint:
    """Ripple at one set point (V) and load (A): peak to peak and rms in V, None if not valid.

    ``share`` is the load as a share of the rated current; a load may take less where its own
    power rating ends.
    """

    set_v: float
    share: float
    load_a: float
    pp_v: float | None
    rms_v: float | None


def plot_ripple(
    points: Sequence[RipplePoint],
    limit_pp_v: float | None,
    limit_rms_v: float | None,
    strings: Strings,
    *,
    check: str = "ripple",
) -> Plot:
    """Draw two panels, peak to peak and rms, in mV; limits in V or None."""
    shares = sorted({p.share for p in points})
    with drawing(1, 2, height_in=3.1) as (figure, (left, right)):
        for axes, field, limit_v in (
            (left, "pp_v", limit_pp_v),
            (right, "rms_v", limit_rms_v),
        ):
            for index, share in enumerate(shares):
                mine = sorted(
                    (p for p in points if p.share == share and getattr(p, field) is not None),
                    key=lambda p: p.set_v,
                )
                axes.plot(
                    [p.set_v for p in mine], [1e3 * getattr(p, field) for p in mine],
                    color=COLOURS[index % 6], marker=MARKERS[index % 6],
                    linestyle=("-", "--", ":", "-.")[index % 4],
                    label=strings.fill("plot.share", percent=f"{100 * share:.3g}"),
                )  # fmt: skip
            if limit_v is not None:
                limit_line(axes, 1e3 * limit_v, strings.get("plot.limit"))
            _scale(axes, [getattr(p, field) for p in points], limit_v)
            finish(axes, strings.get("plot.set_v"), strings.get(f"plot.ripple.{field}"))
        svg = to_svg(figure)
    valid = [p for p in points if p.pp_v is not None]
    worst = max(valid, key=lambda p: p.pp_v or 0.0, default=None)
    return Plot(
        check, "ripple", strings.get("plot.ripple.title"), strings.get("plot.ripple.caption"),
        strings.get("plot.nothing_valid") if worst is None else strings.fill(
            "plot.ripple.alt", pp_mv=f"{1e3 * (worst.pp_v or 0.0):.3g}",
            at_v=f"{worst.set_v:.4g}", load_a=f"{worst.load_a:.3g}",
        ),
        svg,
    )  # fmt: skip


def _scale(axes: Axes, values_v: Sequence[float | None], limit_v: float | None) -> None:
    """From zero; logarithmic where a fault would make limit and healthy points one line."""
    known = [v for v in values_v if v]
    if limit_v and known and max(known) > _FAR * limit_v:
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter("{x:g}")
    else:
        axes.set_ylim(bottom=0.0)
