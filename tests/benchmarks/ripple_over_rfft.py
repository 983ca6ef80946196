"""Whole ripple analysis of a ten-million-sample record against one `numpy.fft.rfft` of it."""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
from numpy.typing import NDArray

from runner.signals.analysis import RippleAnalysis, analyse

__all__ = ["measure"]

_DT_S = 1e-6
_TURNS = 5


def record(n: int) -> NDArray[np.float64]:
    """100 Hz sawtooth, a 47 kHz line and noise, in volts; sampled at 1 MHz, 16-bit steps."""
    rng = np.random.default_rng(20)
    v = np.empty(n)
    for start in range(0, n, 1 << 18):
        t_s = np.arange(start, min(n, start + (1 << 18))) * _DT_S
        v[start : start + t_s.size] = (
            0.002 * (t_s * 100.2 % 1 - 0.5)
            + 0.0004 * np.sin(2 * np.pi * 47e3 * t_s)
            + rng.normal(0, 0.0002, t_s.size)
        )
    return np.asarray(np.round(v / 1e-6) * 1e-6)


def measure(n: int = 10_000_000) -> dict[str, float]:
    """Time ratio (best of five on each side, in turn) and peak memory over the record's.

    The record itself counts as one in the memory ratio.
    """
    v = record(n)
    rfft_s, analysis_s = [], []
    for _ in range(_TURNS):
        start = time.perf_counter()
        np.fft.rfft(v)
        rfft_s.append(time.perf_counter() - start)
        start = time.perf_counter()
        found = analyse(v, _DT_S, mains_hz=50)
        analysis_s.append(time.perf_counter() - start)
        if not isinstance(found, RippleAnalysis):
            raise RuntimeError(found.reason)
    tracemalloc.start()
    analyse(v, _DT_S, mains_hz=50)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return {
        "ripple_over_rfft": min(analysis_s) / min(rfft_s),
        "ripple_memory_over_record": 1 + peak / v.nbytes,
    }
