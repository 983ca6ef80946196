"""Two records in one drawing."""

from __future__ import annotations

from collections.abc import Sequence

from reports.catalogue import Strings
from reports.plots.style import COLOURS, Plot, drawing, finish, to_svg

__all__ = ["plot_overlay"]

Points = Sequence[tuple[float, float]]


def plot_overlay(
    first: Points,
    second: Points,
    labels: tuple[str, str],
    axes_labels: tuple[str, str],
    title: str,
    strings: Strings,
    *,
    check: str,
    joined: bool = True,
) -> Plot:
    """Draw (x, y) points of both records: first hollow and dashed, second filled and solid.

    ``joined`` False leaves the lines between the points away.
    """
    with drawing(height_in=2.8) as (figure, axes):
        for index, (points, marker, line) in enumerate(((first, "o", "--"), (second, "s", "-"))):
            ordered = sorted(points)
            axes.plot(
                [x for x, _ in ordered], [y for _, y in ordered], color=COLOURS[index],
                marker=marker, linestyle=line if joined else "none", label=labels[index],
                markerfacecolor="white" if index == 0 else COLOURS[index],
            )  # fmt: skip
        finish(axes, *axes_labels)
        svg = to_svg(figure)
    return Plot(check, f"overlay-{check}", title, "", strings.fill("compare.alt", title=title), svg)
