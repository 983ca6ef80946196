"""Straight lines through readings: calibration lines, and the load line with its knee."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from runner.signals.linear import LinearFit, solve
from runner.signals.samples import FloatArray, Invalid, checked_record, is_flat

__all__ = ["Line", "LoadLine", "fit_line", "fit_load_line"]

_KNEE_P = 0.01
_KNEE_STEEPER = 2.0


@dataclass(frozen=True)
class Line:
    """y = offset + gain·x; variances and covariance from the residual, s with n - 2 dof."""

    offset: float
    gain: float
    var_offset: float
    var_gain: float
    cov_offset_gain: float
    residual_sd: float
    dof: int
    r_squared: float
    worst_residual: float

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard uncertainty (GUM H.3.4 with correlation)."""
        variance = self.var_offset + x * x * self.var_gain + 2 * x * self.cov_offset_gain
        return self.offset + self.gain * x, float(np.sqrt(max(0.0, variance)))


def fit_line(x: ArrayLike, y: ArrayLike) -> Line | Invalid:
    """Least-squares line through readings (n,), n >= 3, in any order; x must not be all equal."""
    pair = _readings(x, y, minimum=3)
    if isinstance(pair, Invalid):
        return pair
    xs, ys = pair
    middle = float(xs.mean())
    fit = solve(np.column_stack([np.ones_like(xs), xs - middle]), ys)
    if isinstance(fit, Invalid):
        return fit
    at_middle, gain = fit.coefficients
    covariance = fit.covariance
    return Line(
        offset=float(at_middle - gain * middle),
        gain=float(gain),
        var_offset=float(
            covariance[0, 0] + middle**2 * covariance[1, 1] - 2 * middle * covariance[0, 1]
        ),
        var_gain=float(covariance[1, 1]),
        cov_offset_gain=float(covariance[0, 1] - middle * covariance[1, 1]),
        residual_sd=fit.residual_sd,
        dof=fit.dof,
        r_squared=fit.r_squared,
        worst_residual=float(fit.residuals[np.argmax(np.abs(fit.residuals))]),
    )


def _readings(x: ArrayLike, y: ArrayLike, minimum: int) -> tuple[FloatArray, FloatArray] | Invalid:
    xs = checked_record(x, name="the abscissa", minimum=minimum)
    ys = checked_record(y, name="the set of readings", minimum=minimum)
    if isinstance(xs, Invalid):
        return xs
    if isinstance(ys, Invalid):
        return ys
    if xs.size != ys.size:
        return Invalid(f"{xs.size} abscissae but {ys.size} readings")
    if is_flat(float(xs.min()), float(xs.max())):
        return Invalid("all readings were taken at one place: no line goes through them")
    return xs, ys


@dataclass(frozen=True)
class LoadLine:
    """Output voltage against load current.

    Below the knee v = `v0_v` - `r_out_ohm`·i. `knee_a` is the current from which the voltage
    falls away faster (dropout or current limit), None when the readings show none;
    `r_beyond_ohm` the slope there. `residual_sd_v` is of the whole model.
    """

    v0_v: float
    r_out_ohm: float
    u_r_out_ohm: float
    knee_a: float | None
    r_beyond_ohm: float | None
    residual_sd_v: float


def fit_load_line(i_a: ArrayLike, v: ArrayLike, *, u_v: float | None = None) -> LoadLine | Invalid:
    """Fit a load line through readings (n,), n >= 3, in any order; a knee needs n >= 5.

    A knee is believed when the line with a bend leaves significantly less residual (p < 1 %,
    F test; χ² with `u_v`, the standard uncertainty of a reading from its scatter, which few
    points need) and is at least twice as steep beyond it, falling.
    """
    pair = _readings(i_a, v, minimum=3)
    if isinstance(pair, Invalid):
        return pair
    if u_v is not None and not 0 < u_v < np.inf:
        return Invalid(f"an uncertainty of {u_v} V for each reading")
    order = np.argsort(pair[0], kind="stable")
    currents, volts = pair[0][order], pair[1][order]
    straight = solve(_bent(currents, None), volts)
    if isinstance(straight, Invalid):
        return straight
    bend = _find_knee(currents, volts, straight, u_v)
    knee_a, fit = (None, straight) if bend is None else bend
    slope = float(fit.coefficients[1])
    return LoadLine(
        v0_v=float(fit.coefficients[0]),
        r_out_ohm=-slope,
        u_r_out_ohm=float(np.sqrt(fit.covariance[1, 1])),
        knee_a=knee_a,
        r_beyond_ohm=None if knee_a is None else -(slope + float(fit.coefficients[2])),
        residual_sd_v=fit.residual_sd,
    )


def _bent(currents: FloatArray, knee_a: float | None) -> FloatArray:
    columns = [np.ones_like(currents), currents]
    if knee_a is not None:
        columns.append(np.maximum(currents - knee_a, 0))
    return np.column_stack(columns)


def _find_knee(
    currents: FloatArray, volts: FloatArray, straight: LinearFit, u_v: float | None
) -> tuple[float, LinearFit] | None:
    from scipy.optimize import minimize_scalar

    places = np.unique(currents)
    rounding = 1e-9 * float(np.abs(volts).max())
    if places.size < 5 or straight.sum_of_squares <= volts.size * rounding**2:
        return None

    def loss(knee_a: float) -> float:
        fit = solve(_bent(currents, knee_a), volts)
        return straight.sum_of_squares if isinstance(fit, Invalid) else fit.sum_of_squares

    first, last = float(places[1]), float(places[-2])
    grid = np.linspace(first, last + 0.999 * float(places[-1] - places[-2]), 128)
    best = int(np.argmin([loss(k) for k in grid]))
    around = (float(grid[max(0, best - 1)]), float(grid[min(grid.size - 1, best + 1)]))
    knee_a = float(minimize_scalar(loss, bounds=around, method="bounded").x)
    fit = solve(_bent(currents, knee_a), volts)
    if isinstance(fit, Invalid) or not _believable(straight, fit, u_v, rounding):
        return None
    return knee_a, fit


def _believable(straight: LinearFit, bent: LinearFit, u_v: float | None, rounding: float) -> bool:
    from scipy.stats import chi2, f

    slope, extra = float(bent.coefficients[1]), float(bent.coefficients[2])
    if extra >= 0 or abs(slope + extra) < _KNEE_STEEPER * abs(slope):
        return False
    gained = straight.sum_of_squares - bent.sum_of_squares
    if u_v is not None:
        return float(chi2.sf(gained / u_v**2, 2)) < _KNEE_P
    dof = bent.dof - 1  # the place of the knee was fitted too
    left = max(bent.sum_of_squares, bent.residuals.size * rounding**2)
    return dof > 0 and float(f.sf(gained / 2 / (left / dof), 2, dof)) < _KNEE_P
