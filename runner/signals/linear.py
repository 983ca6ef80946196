"""Linear least squares with its covariance: the one solver that the other modules use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg

from runner.signals.samples import FloatArray, Invalid

__all__ = ["LinearFit", "dot", "solve"]

_RANK_TOLERANCE = 1e-13
_ROWS = 256
_LAST_DIGITS = 1e-14
_WELL_CONDITIONED = 1e-3


@dataclass(frozen=True)
class LinearFit:
    """Coefficients of y = X b with their covariance.

    `covariance` is s² (XᵀX)⁻¹ with s² = RSS/(n - p); NaN entries never occur: with n = p
    there are no degrees of freedom and the covariance is zero with `dof` 0, which the user of
    the fit must look at.
    """

    coefficients: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    residual_sd: float
    dof: int
    r_squared: float

    @property
    def sum_of_squares(self) -> float:
        """Residual sum of squares, in squared units of y."""
        return dot(self.residuals, self.residuals)


def dot(a: FloatArray, b: FloatArray) -> float:
    """Σab of two rows (n,) on one processor; see `_stacked` for why that is the faster way."""
    return float(np.einsum("i,i->", a, b))


def solve(design: FloatArray, y: FloatArray) -> LinearFit | Invalid:
    """Least squares by QR of the column-scaled design matrix (n, p).

    Columns are divided by their length first, so that badly scaled regressors (the Longley
    case) keep their digits. Only R is formed: RᵀR b = Xᵀy, refined on the residual
    (corrected seminormal equations, Björck 1987); cov = s² R⁻¹R⁻ᵀ.
    """
    n, p = design.shape
    if n < p:
        return Invalid(f"{n} readings cannot fix {p} coefficients")
    length = np.sqrt(np.einsum("ij,ij->j", design, design))
    if not np.all(np.isfinite(length)) or not np.all(length > 0):
        return Invalid("a column of the fit is zero or too large")
    scaled, target = _stacked(design / length), _stacked(y[:, None])
    r = _triangle(scaled, n)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < _RANK_TOLERANCE * diagonal.max():
        return Invalid("the readings do not tell the coefficients of the fit apart")
    coefficients, left = np.zeros(p), target
    for _ in range(3):
        normal = (scaled.transpose(0, 2, 1) @ left).sum(axis=0)[:, 0]
        half = scipy.linalg.solve_triangular(r, normal, trans="T")
        step = scipy.linalg.solve_triangular(r, half)
        coefficients = coefficients + step
        left = target - scaled @ coefficients[:, None]
        if np.abs(step).max() <= _LAST_DIGITS * np.abs(coefficients).max():
            break
    residuals = left.reshape(-1)[:n]
    rss = dot(residuals, residuals)
    if not (np.all(np.isfinite(coefficients)) and np.isfinite(rss)):
        return Invalid("the fit overflowed")
    variance = rss / (n - p) if n > p else 0.0
    inverse = scipy.linalg.solve_triangular(r, np.eye(p)) / length[:, None]
    about_mean = y - y.mean()
    total = dot(about_mean, about_mean)
    return LinearFit(
        coefficients=coefficients / length,
        covariance=variance * (inverse @ inverse.T),
        residuals=residuals,
        residual_sd=float(np.sqrt(variance)),
        dof=n - p,
        r_squared=1 - rss / total if total > 0 else 1.0,
    )


def _stacked(rows: FloatArray) -> FloatArray:
    """Rows (n, p) as a stack (⌈n/256⌉, 256, p), filled up with zero rows, which change no sum.

    Products of blocks this small stay on one processor. Those of a whole tall matrix would be
    spread over all of them, and wait for the last one whenever the machine has other work.
    """
    n, p = rows.shape
    count = min(n, _ROWS)
    stack = np.zeros((-(-n // count), count, p))
    stack.reshape(-1, p)[:n] = rows
    return stack


def _triangle(scaled: FloatArray, n: int) -> FloatArray:
    """R of the QR decomposition; by way of XᵀX, many times faster, where that costs no digits."""
    try:
        gram = (scaled.transpose(0, 2, 1) @ scaled).sum(axis=0)
        r = np.asarray(np.linalg.cholesky(gram).T, dtype=np.float64)
        diagonal = np.diag(r)
        if diagonal.min() > _WELL_CONDITIONED * diagonal.max():
            return r
    except np.linalg.LinAlgError:
        pass
    rows = scaled.reshape(-1, scaled.shape[2])[:n]
    return np.asarray(np.linalg.qr(rows, mode="r"), dtype=np.float64)
