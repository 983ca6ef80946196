"""How every plot looks: drawn for paper, told apart by shape first and colour second.

The colours are those of Okabe and Ito (2008), chosen there for the common kinds of colour
blindness, in an order that also differs in grey. Text becomes outlines, so that a plot looks
the same wherever it is opened.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BAND", "COLOURS", "INK", "LIMIT", "MARKERS", "WIDTH_IN", "Plot", "drawing", "finish",
    "limit_line", "to_svg",
]  # fmt: skip

INK = "#1a1a1a"
LIMIT = "#7a3b00"
BAND = "#e4ecf4"
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00")
MARKERS = ("o", "s", "^", "D", "v", "P")
WIDTH_IN = 7.0

_STYLE: dict[str, Any] = {
    "font.size": 9.0,
    "font.family": "DejaVu Sans",
    "axes.titlesize": 9.5,
    "axes.labelsize": 9.0,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.8,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "axes.grid": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "grid.color": "#c9c9c9",
    "grid.linewidth": 0.5,
    "lines.linewidth": 1.3,
    "lines.markersize": 5.0,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "svg.fonttype": "path",
    "text.parse_math": False,  # words from a record are words, never formulas
    "svg.hashsalt": "asleft",
    "path.simplify_threshold": 0.3,
}


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawn plot: which check it belongs to, what it is called, and what it shows in words.

    ``alt`` says in a sentence what the eye would read off, for those who cannot see it.
    """

    check: str
    name: str
    title: str
    caption: str
    alt: str
    svg: str


@contextmanager
def drawing(
    rows: int = 1, columns: int = 1, height_in: float = 3.0, **kwargs: Any
) -> Iterator[tuple[Figure, Any]]:
    """Open a figure of the report's width and style; axes as from ``Figure.subplots``."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(cast(Any, _STYLE)):
        figure = Figure(figsize=(WIDTH_IN, height_in))
        grid = _margins(rows, columns, height_in)
        yield figure, figure.subplots(rows, columns, gridspec_kw=grid, **kwargs)


def _margins(rows: int, columns: int, height_in: float) -> dict[str, float]:
    """Room for labels in fixed inches: the same on every plot, and quicker than a layout search."""
    left, right, top, bottom, beside, between = 0.86, 0.14, 0.34, 0.46, 0.84, 0.46
    wide = (WIDTH_IN - left - right - (columns - 1) * beside) / columns
    high = (height_in - top - bottom - (rows - 1) * between) / rows
    return {
        "left": left / WIDTH_IN,
        "right": 1 - right / WIDTH_IN,
        "top": 1 - top / height_in,
        "bottom": bottom / height_in,
        "wspace": beside / wide,
        "hspace": between / high,
    }


def to_svg(figure: Figure) -> str:
    """Return the figure as SVG text, the same text for the same data."""
    buffer = io.StringIO()
    with warnings.catch_warnings():
        # A sign that the font lacks is drawn as a box: no reason to alarm a reader on stderr.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def limit_line(axes: Axes, value: float, label: str | None = None) -> None:
    """Draw a limit that does not depend on the abscissa."""
    axes.axhline(value, color=LIMIT, linewidth=1.4, linestyle=(0, (6, 2)), label=label)


def finish(axes: Axes, x_label: str, y_label: str, title: str = "") -> None:
    """Write the labels, and a legend above the axes where something has one."""
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    if title:
        axes.set_title(title, loc="left", fontweight="bold")
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=min(len(handles), 4),
            borderaxespad=0.1, handletextpad=0.4, columnspacing=1.2,
        )  # fmt: skip
