"""Linear least squares with its covariance: the one solver that the other modules use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg

from runner.signals.samples import FloatArray, Invalid

__all__ = ["LinearFit", "solve"]

_RANK_TOLERANCE = 1e-13
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
        return float(self.residuals @ self.residuals)


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
    scaled = design / length
    r = _triangle(scaled)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < _RANK_TOLERANCE * diagonal.max():
        return Invalid("the readings do not tell the coefficients of the fit apart")
    coefficients, residuals = np.zeros(p), y
    for _ in range(3):
        half = scipy.linalg.solve_triangular(r, scaled.T @ residuals, trans="T")
        step = scipy.linalg.solve_triangular(r, half)
        coefficients = coefficients + step
        residuals = y - scaled @ coefficients
        if np.abs(step).max() <= _LAST_DIGITS * np.abs(coefficients).max():
            break
    rss = float(residuals @ residuals)
    if not (np.all(np.isfinite(coefficients)) and np.isfinite(rss)):
        return Invalid("the fit overflowed")
    variance = rss / (n - p) if n > p else 0.0
    inverse = scipy.linalg.solve_triangular(r, np.eye(p)) / length[:, None]
    about_mean = y - y.mean()
    total = float(about_mean @ about_mean)
    return LinearFit(
        coefficients=coefficients / length,
        covariance=variance * (inverse @ inverse.T),
        residuals=residuals,
        residual_sd=float(np.sqrt(variance)),
        dof=n - p,
        r_squared=1 - rss / total if total > 0 else 1.0,
    )


def _triangle(scaled: FloatArray) -> FloatArray:
    """R of the QR decomposition; by way of XᵀX, many times faster, where that costs no digits."""
    try:
        r = np.asarray(np.linalg.cholesky(scaled.T @ scaled).T, dtype=np.float64)
        diagonal = np.diag(r)
        if diagonal.min() > _WELL_CONDITIONED * diagonal.max():
            return r
    except np.linalg.LinAlgError:
        pass
    return np.asarray(np.linalg.qr(scaled, mode="r"), dtype=np.float64)
