"""Linear least squares with its covariance: the one solver that the other modules use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg

from runner.signals.samples import FloatArray, Invalid

__all__ = ["LinearFit", "solve"]

_RANK_TOLERANCE = 1e-13


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
    case) keep their digits. Formula: R b = Qᵀy, cov = s² R⁻¹R⁻ᵀ.
    """
    n, p = design.shape
    if n < p:
        return Invalid(f"{n} readings cannot fix {p} coefficients")
    length = np.sqrt(np.einsum("ij,ij->j", design, design))
    if not np.all(np.isfinite(length)) or not np.all(length > 0):
        return Invalid("a column of the fit is zero or too large")
    q, r = scipy.linalg.qr(design / length, mode="economic", check_finite=False)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < _RANK_TOLERANCE * diagonal.max():
        return Invalid("the readings do not tell the coefficients of the fit apart")
    coefficients = scipy.linalg.solve_triangular(r, q.T @ y) / length
    # One refinement on the residual wins back the digits that conditioning took.
    coefficients += scipy.linalg.solve_triangular(r, q.T @ (y - design @ coefficients)) / length
    residuals = y - design @ coefficients
    rss = float(residuals @ residuals)
    dof = n - p
    variance = rss / dof if dof > 0 else 0.0
    inverse = scipy.linalg.solve_triangular(r, np.eye(p)) / length[:, None]
    about_mean = y - y.mean()
    total = float(about_mean @ about_mean)
    if not (np.all(np.isfinite(coefficients)) and np.isfinite(rss)):
        return Invalid("the fit overflowed")
    return LinearFit(
        coefficients=coefficients,
        covariance=variance * (inverse @ inverse.T),
        residuals=residuals,
        residual_sd=float(np.sqrt(variance)),
        dof=dof,
        r_squared=1 - rss / total if total > 0 else 1.0,
    )
