"""Many readings at once: the same figures as the budgets, on whole arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from runner.metrology.last_digit import LEAST_DOF
from runner.metrology.plain import LARGEST
from runner.metrology.scale import Scale

__all__ = ["Means", "difference_of_groups", "mean_of_groups", "reading_u"]


@dataclass(frozen=True)
class Means:
    """Values, standard uncertainties (same unit) and degrees of freedom, each shape (m,)."""

    value: NDArray[np.float64]
    u: NDArray[np.float64]
    dof: NDArray[np.float64]


def reading_u(readings: ArrayLike, scale: Scale) -> NDArray[np.float64]:
    """Return the standard uncertainty of each reading, any shape, in the scale's unit.

    As `Scale.components(...).u`. Raises ValueError for a reading that is not finite.
    """
    limit = _limit_u(_finite(readings), scale)
    return np.sqrt(limit**2 + scale.resolution_u**2 + scale.noise_rms**2)


def mean_of_groups(readings: ArrayLike, scale: Scale) -> Means:
    """Return mean, u and dof of m groups of n independent readings; shape (m, n), n >= 2.

    As `mean_of_readings` without further lines.
    """
    groups = _groups(readings)
    middle, spread = groups.mean(axis=1), groups.std(axis=1, ddof=1)
    scatter = spread / np.sqrt(groups.shape[1])
    left = _digit_left(spread, groups.shape[1] - 1, scale.resolution)
    constant = _limit_u(middle, scale) ** 2 + (left * scale.resolution_u) ** 2
    value = middle + scale.correction + scale.correction_rel * middle
    return _means(value, scatter, constant, groups.shape[1] - 1)


def difference_of_groups(first: ArrayLike, second: ArrayLike, scale: Scale) -> Means:
    """Return the mean of paired differences first - second on one scale; shapes (m, n), n >= 2.

    As `difference` without further lines.
    """
    above, below = _groups(first), _groups(second)
    if above.shape != below.shape:
        raise ValueError(f"second: expected shape {above.shape}, found {below.shape}")
    steps = above - below
    middle = steps.mean(axis=1)
    scatter = steps.std(axis=1, ddof=1) / np.sqrt(steps.shape[1])
    constant = ((scale.difference_rel + scale.tempco_rel) * middle) ** 2
    constant += 2 * scale.linearity**2 + 2 * scale.resolution_u**2
    return _means(middle + scale.correction_rel * middle, scatter, constant, steps.shape[1] - 1)


def _limit_u(values: NDArray[np.float64], scale: Scale) -> NDArray[np.float64]:
    rel, offset = scale.gain_rel + scale.tempco_rel, scale.offset + scale.tempco_offset
    return rel * np.abs(values) + offset


def _digit_left(spread: NDArray[np.float64], dof: int, count: float) -> NDArray[np.float64]:
    """As `Spread.remaining_share`, for spreads of shape (m,)."""
    if count <= 0 or dof < LEAST_DOF:
        return np.ones(spread.shape)
    variance = np.maximum(spread**2 - count**2 / 12, 0.0)
    left = 2 / np.pi * np.exp(-2 * np.pi**2 * variance / count**2)
    return np.asarray(np.where(variance > 0, np.minimum(1.0, left), 1.0))


def _means(
    value: NDArray[np.float64],
    scatter: NDArray[np.float64],
    constant: NDArray[np.float64],
    dof_scatter: int,
) -> Means:
    u = np.sqrt(scatter**2 + constant)
    share = np.zeros(u.shape)
    np.divide(scatter, u, out=share, where=u > 0)
    dof = np.full(u.shape, np.inf)
    np.divide(dof_scatter, share**4, out=dof, where=share > 1e-60)
    return Means(value, u, dof)


def _groups(readings: ArrayLike) -> NDArray[np.float64]:
    groups = _finite(readings)
    if groups.ndim != 2 or groups.shape[0] < 1 or groups.shape[1] < 2:
        raise ValueError(f"readings: expected shape (m, n >= 2), found {groups.shape}")
    return groups


def _finite(readings: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(readings, dtype=np.float64)
    if not np.all(np.abs(values) <= LARGEST):
        raise ValueError("readings: expected finite numbers, found one that is not")
    return values
