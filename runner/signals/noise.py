"""What noise, resolution and the input network of a scope do to a ripple figure."""

from __future__ import annotations

import math

__all__ = [
    "effective_bits",
    "gaussian_pp_over_sigma",
    "high_pass_gain",
    "low_pass_gain",
    "quantisation_rms_v",
]


def quantisation_rms_v(span_v: float, bits: int) -> float:
    """Rms error of a converter of `bits` over `span_v`: LSB/√12 with LSB = span/2^bits.

    Raises ValueError unless span > 0 and 1 <= bits <= 32.
    """
    if not (0 < span_v < math.inf and 1 <= bits <= 32):
        raise ValueError(f"span_v and bits: expected positive, found {span_v} V and {bits} bits")
    return float(span_v / 2**bits / math.sqrt(12))


def effective_bits(sinad_db: float) -> float:
    """Bits of the ideal converter with this signal to noise and distortion (IEEE 1241).

    (SINAD - 1.7609)/6.0206; ValueError when it is not finite.
    """
    if not math.isfinite(sinad_db):
        raise ValueError(f"sinad_db: expected a finite number, found {sinad_db}")
    return (sinad_db - 10 * math.log10(1.5)) / (20 * math.log10(2))


def gaussian_pp_over_sigma(n: int) -> float:
    """Mean p-p of n independent Gaussian samples in units of σ (the d2 constant of charts).

    ∫ [1 - Φ(x)^n - (1 - Φ(x))^n] dx. Shows what p-p a scope's own noise alone must be expected
    to give; ValueError unless n >= 2.
    """
    from scipy.integrate import quad
    from scipy.special import log_ndtr

    if n < 2:
        raise ValueError(f"n: expected 2 or more samples, found {n}")

    def below(x: float) -> float:
        return float(-math.expm1(n * log_ndtr(x)) - math.exp(n * log_ndtr(-x)))

    return 2 * float(quad(below, 0, 40, epsabs=1e-9, limit=200, points=(2, 4, 6, 8))[0])


def high_pass_gain(f_hz: float, corner_hz: float) -> float:
    """Gain of a.c. coupling (one pole) at f: 1/√(1 + (fc/f)²); ValueError unless both > 0."""
    _positive(f_hz, corner_hz)
    return 1 / math.hypot(1, corner_hz / f_hz)


def low_pass_gain(f_hz: float, corner_hz: float) -> float:
    """Gain of a one-pole bandwidth limit at f: 1/√(1 + (f/fc)²); ValueError unless both > 0."""
    _positive(f_hz, corner_hz)
    return 1 / math.hypot(1, f_hz / corner_hz)


def _positive(f_hz: float, corner_hz: float) -> None:
    if not (0 < f_hz < math.inf and 0 < corner_hz < math.inf):
        raise ValueError(f"f_hz and corner_hz: expected positive, found {f_hz} and {corner_hz} Hz")
