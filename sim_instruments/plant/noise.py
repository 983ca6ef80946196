"""Noise that depends on the seed and the time alone, never on who asked before."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from sim_instruments.plant.stepping import Floats

__all__ = ["gauss_at", "gauss_table"]

_ODD = 0x9E3779B97F4A7C15


@njit(cache=True)
def _scrambled(t_s: Floats, rate_hz: float, salt: np.uint64) -> Floats:
    """Noise at times of shape (n,): counters through the finaliser of splitmix64."""
    out = np.empty(t_s.size)
    for k in range(t_s.size):
        x = np.uint64(np.int64(math.floor(t_s[k] * rate_hz))) * np.uint64(_ODD) + salt
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        x ^= x >> np.uint64(31)
        total = 0.0
        for shift in (0, 16, 32, 48):  # sum of four uniform numbers, variance 4/12
            total += float((x >> np.uint64(shift)) & np.uint64(0xFFFF))
        out[k] = (total / 65535.0 - 2.0) * math.sqrt(3.0)
    return out


def gauss_at(t_s: Floats, rate_hz: float, seed: int, stream: int) -> Floats:
    """Nearly Gaussian noise, unit rms, white up to rate/2, at any times (same shape)."""
    t = np.ascontiguousarray(t_s, dtype=np.float64)
    salt = np.uint64((seed * _ODD + stream * 0xD1B54A32D192ED03) % 2**64)
    noise: Floats = _scrambled(t.ravel(), rate_hz, salt)
    return noise.reshape(t.shape)


def gauss_table(n: int, seed: int) -> Floats:
    """Return n fixed Gaussian numbers of unit rms."""
    return np.random.default_rng(seed).standard_normal(n)
