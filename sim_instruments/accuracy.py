"""True errors of one instrument: drawn once from its accuracy class, fixed from then on.

A class says ± (a of reading + b of range); an instance's gain error lies somewhere within ±a and
its offset within ±b of range, evenly likely. Tests read them from `instrument.truth` and may
set them.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

__all__ = ["ErrorClass", "TrueError", "draw", "stream"]


@dataclass(frozen=True, slots=True)
class ErrorClass:
    """Half-widths as fractions: of reading and of range."""

    of_reading: float
    of_range: float

    def limit(self, value: float, full_scale: float) -> float:
        """Largest error at this value, in its unit."""
        return self.of_reading * abs(value) + self.of_range * full_scale


@dataclass(slots=True)
class TrueError:
    """What one range of one instrument really does: reading = value·(1 + gain) + offset."""

    gain: float = 0.0
    offset: float = 0.0

    def shown(self, value: float) -> float:
        """What the instrument makes of a true value."""
        return value * (1.0 + self.gain) + self.offset

    def behind(self, shown: float) -> float:
        """True value behind what a setting says it is."""
        return (shown - self.offset) / (1.0 + self.gain)


def stream(seed: int, name: str) -> np.random.Generator:
    """Random numbers of one instrument: the same for the same seed and name, on any machine."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def draw(
    random: np.random.Generator, classes: Mapping[float, ErrorClass]
) -> dict[float, TrueError]:
    """Draw one true error per range (key: full scale)."""
    return {
        full_scale: TrueError(
            float(random.uniform(-1, 1)) * spec.of_reading,
            float(random.uniform(-1, 1)) * spec.of_range * full_scale,
        )
        for full_scale, spec in classes.items()
    }
