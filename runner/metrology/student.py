"""The t and normal distribution functions and their first and second integrals.

With T the distribution function and f the density for nu degrees of freedom:
G = integral of T = z T + (nu + z^2)/(nu - 1) f, and H = integral of G by parts; nu of 1 and 2
have forms of their own, an infinite nu is the normal distribution. Both integrals are free of a
constant and, for H, of a multiple of z: only differences in which these leave are used.
"""

from __future__ import annotations

import math
from functools import lru_cache

from runner.metrology.coverage import whole

__all__ = ["step_integrals", "t_below", "t_density", "t_integrals"]


def t_below(z: float, dof: float) -> float:
    """Return P(t <= z); fractional `dof` is rounded down."""
    nu = whole(dof)
    if math.isinf(nu):
        return math.erfc(-z / math.sqrt(2)) / 2
    from scipy.special.cython_special import stdtr  # its array form takes twice as long

    return float(stdtr(nu, z))


def t_density(z: float, dof: float) -> float:
    """Return the density f at z."""
    nu = whole(dof)
    if math.isinf(nu):
        return math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return _peak(nu) * math.exp(-(nu + 1) / 2 * math.log1p(z * z / nu))


def t_integrals(z: float, dof: float) -> tuple[float, float, float]:
    """Return (T, G, H): the distribution function at z, its first and its second integral."""
    nu, share = whole(dof), t_below(z, dof)
    if math.isinf(nu):
        density = t_density(z, nu)
        return share, z * share + density, ((z * z + 1) * share + z * density) / 2
    if nu == 1:
        bend = math.log1p(z * z)
        first = z * share - bend / (2 * math.pi)
        second = z * z * share + z / math.pi - math.atan(z) / math.pi - z * bend / math.pi
        return share, first, second / 2
    weighted = (nu + z * z) * t_density(z, nu)
    first = z * share + weighted / (nu - 1)
    if nu == 2:
        root = math.sqrt(2)
        square = math.asinh(z / root) - z / math.hypot(root, z)
    else:
        square = (nu * share - z * weighted) / (nu - 2)  # integral of z^2 f
    second = z * z * share / 2 + nu / (nu - 1) * share + (3 - nu) / (2 * (nu - 1)) * square
    return share, first, second


def step_integrals(z: float) -> tuple[float, float, float]:
    """Return the same three for a t part without width: a step at zero."""
    above = max(z, 0.0)
    return float(z >= 0), above, above * above / 2


@lru_cache(maxsize=256)
def _peak(nu: float) -> float:
    from scipy.special import poch

    return float(poch(nu / 2, 0.5)) / math.sqrt(nu * math.pi)
