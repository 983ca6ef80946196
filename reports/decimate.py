"""Thins long traces for drawing; every peak and dip of the original stays visible."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["keep_extremes"]


def keep_extremes(
    x: NDArray[np.float64], y: NDArray[np.float64], most_points: int = 2400
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Thin (x, y) to about ``most_points`` and keep each bin's least and greatest y.

    ``x`` and ``y`` have shape (n,), ``x`` rising. The first and last points stay; the global
    minimum and maximum stay, because each is the extreme of its bin. Order of x is kept.

    :raises ValueError: shapes differ, or fewer than four points are allowed
    """
    import numpy as np

    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"expected two vectors of one length, found {x.shape} and {y.shape}")
    if most_points < 4:
        raise ValueError(f"expected at least four points, found {most_points}")
    n = y.size
    if n <= most_points:
        return x, y
    width = -(-n // ((most_points - 2) // 2))
    whole = n // width * width
    blocks = y[:whole].reshape(-1, width)
    starts = np.arange(0, whole, width)
    picks = [np.array([0, n - 1]), starts + blocks.argmin(axis=1), starts + blocks.argmax(axis=1)]
    if whole < n:
        picks.append(np.array([whole + y[whole:].argmin(), whole + y[whole:].argmax()]))
    index = np.unique(np.concatenate(picks))
    return x[index], y[index]
