"""One unit among the others of its type, each finding in the width of what is usual."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.catalogue import Strings
from reports.plots.style import BAND, COLOURS, INK, Plot, drawing, finish, to_svg
from reports.summary import title_of

if TYPE_CHECKING:
    from reports.type_history import AgainstType

__all__ = ["plot_history"]

MOST_ROWS = 16
FARTHEST = 3.0
"""What lies farther out is drawn at the edge, with its number beside it."""


def plot_history(found: Sequence[AgainstType], strings: Strings) -> list[Plot]:
    """One drawing a check, a row a finding, those farthest out first where there are many."""
    drawn = []
    for check in dict.fromkeys(one.finding.check for one in found):
        mine = [one for one in found if one.finding.check == check and one.e_n is not None]
        mine.sort(key=lambda one: one.e_n or 0.0, reverse=True)
        if mine:
            drawn.append(_plot(check, mine[:MOST_ROWS], strings))
    return drawn


def _plot(check: str, found: Sequence[AgainstType], strings: Strings) -> Plot:
    height_in = 0.9 + 0.42 * len(found)
    with drawing(height_in=height_in) as (figure, axes):
        axes.axvspan(-1, 1, color=BAND, zorder=0)
        axes.axvline(0, color=INK, linewidth=0.8)
        for row, one in enumerate(found):
            _draw(axes, row, one, first=row == 0, strings=strings)
        axes.set_ylim(len(found) - 0.4, -0.75)
        axes.set_xlim(-FARTHEST - 0.25, FARTHEST + 0.25)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        finish(axes, strings.get("history.x"), "")
        svg = to_svg(figure)
    title = strings.fill("history.plot_title", check=title_of(check, strings))
    worst = found[0]
    alt = strings.fill(
        "history.alt", what=strings.phrase(worst.finding.what), at=worst.finding.at,
        e_n=f"{worst.e_n:.2f}", units=len(worst.values),
    )  # fmt: skip
    return Plot(check, f"history-{check}", title, strings.get("history.caption"), alt, svg)


def _draw(axes: object, row: int, one: AgainstType, *, first: bool, strings: Strings) -> None:
    mean, width = one.mean or 0.0, one.u_expanded or 1.0

    def place(value: float) -> float:
        return min(max((value - mean) / width, -FARTHEST), FARTHEST)

    others = [place(value) for value in one.values]
    own = place(one.finding.value or 0.0)
    axes.plot(  # type: ignore[attr-defined]
        others, [row] * len(others), "|", color=INK, markersize=7, markeredgewidth=0.8,
        label=strings.get("history.others") if first else None,
    )  # fmt: skip
    axes.plot(  # type: ignore[attr-defined]
        [own], [row], "D", color=COLOURS[1], markersize=6.5, linestyle="none",
        markerfacecolor=COLOURS[1] if one.unusual else "white",
        label=strings.get("history.own") if first else None,
    )  # fmt: skip
    text = f"{strings.phrase(one.finding.what)} {one.finding.at}".strip()
    axes.annotate(  # type: ignore[attr-defined]
        text if len(text) <= 78 else text[:77] + "…", (-FARTHEST, row - 0.34), fontsize=7.2
    )
    if abs(own) == FARTHEST:
        axes.annotate(  # type: ignore[attr-defined]
            f"{(one.e_n or 0.0):.0f}×", (own, row + 0.05), xytext=(-9 if own > 0 else 9, 0),
            textcoords="offset points", ha="right" if own > 0 else "left", va="center", fontsize=8,
        )  # fmt: skip
