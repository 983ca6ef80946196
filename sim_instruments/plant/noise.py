"""Noise that depends on the seed and the time alone, never on who asked before."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["gauss_at", "gauss_table"]

Floats = npt.NDArray[np.float64]


def _mix(x: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Scramble counters (the finaliser of the splitmix64 generator)."""
    with np.errstate(over="ignore"):
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


def gauss_at(t_s: Floats, rate_hz: float, seed: int, stream: int) -> Floats:
    """Nearly Gaussian noise, unit rms, white up to rate/2, at any times (same shape)."""
    n = np.floor(np.asarray(t_s, dtype=np.float64) * rate_hz).astype(np.int64).astype(np.uint64)
    salt = np.uint64((seed * 0x9E3779B97F4A7C15 + stream * 0xD1B54A32D192ED03) % 2**64)
    with np.errstate(over="ignore"):
        bits = _mix(n * np.uint64(0x9E3779B97F4A7C15) + salt)
    total = np.zeros(bits.shape)
    for shift in (0, 16, 32, 48):  # sum of four uniform numbers, variance 4/12
        total += ((bits >> np.uint64(shift)) & np.uint64(0xFFFF)).astype(np.float64)
    return np.asarray((total / 65535.0 - 2.0) * math.sqrt(3.0), dtype=np.float64)


def gauss_table(n: int, seed: int) -> Floats:
    """Return n fixed Gaussian numbers of unit rms."""
    return np.random.default_rng(seed).standard_normal(n)
