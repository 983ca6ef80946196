"""True values that no reading holds: the plant by itself, at rest, with the parts of one seed.

What one record or one sweep of the load holds is not yet the truth: samples of a noise have a
scatter of their own, and a knee lies between two points of the sweep. Both are had from the
plant's parts and its own wave.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from runner.acceptance import Acceptance, Inputs, open_bench
from runner.checks.current_limit_findings import DROOP, FULLY_LIMITED
from runner.job import Job
from runner.record.reader import CheckData
from sim_instruments.plant.settings import LoadDemand

__all__ = ["knee_width_a", "plant_of", "ripple_rms_v"]

SEGMENTS, SAMPLES, PERIODS = 16, 10_000, 5
WARM_S, REST_S = 1.0, 3.0
ABOVE_V = 1.5
CHANCE = 0.008
"""More than three times what the samples of ten records scatter in their rms."""


@contextmanager
def plant_of(inputs: Inputs, seed: int) -> Iterator[Any]:
    """The bench with the unit of this seed, opened, its mains and output on."""
    opened: Any = open_bench(Acceptance(inputs, Job(), Path(), seed=seed))
    try:
        opened.plant.mains_on(True)
        opened.plant.set_output(True)
        opened.plant.set_current_limit(2 * inputs.profile.unit.current.high)
        opened.clock.sleep(WARM_S)
        yield opened
    finally:
        opened.close()


def ripple_rms_v(opened: Any, set_v: float, load_a: float, near_v: float) -> float:
    """Ripple and noise, V rms, at a set voltage and load.

    Mean square about the mean over records of five line periods, as the check pools it, of 16
    times as many samples as one of its records has. Just below a tap point either winding may
    have been in; ``near_v``, the rms of the samples that the records hold, tells which.
    """
    opened.plant.set_load(LoadDemand(mode="cc", level=load_a))
    rising_v = _rms_v(opened, set_v)
    if abs(rising_v - near_v) <= CHANCE * near_v:
        return rising_v
    opened.plant.set_voltage(set_v + ABOVE_V)
    opened.clock.sleep(WARM_S)
    falling_v = _rms_v(opened, set_v)
    return min(rising_v, falling_v, key=lambda v: abs(v - near_v))


def _rms_v(opened: Any, set_v: float) -> float:
    opened.plant.set_voltage(set_v)
    opened.clock.sleep(REST_S)
    record_s = PERIODS / opened.truth.line_hz
    first_s = opened.clock.mono_s() - SEGMENTS * record_s
    times = first_s + np.arange(SEGMENTS * SAMPLES) * (record_s / SAMPLES)
    waves = opened.plant.samples_v("plus", "minus", times).reshape(SEGMENTS, SAMPLES)
    return float(math.sqrt(np.mean(waves.var(axis=1))))


def knee_width_a(opened: Any, data: CheckData, true: Sequence[float | None]) -> float | None:
    """Width of the knee, A, by the law that the plant's current limit follows.

    The output at which the limit begins is that of the sweep's first point, true readings
    ``true`` beside those of ``data``.
    """
    regulator = opened.truth.parts.regulator
    held = [(reading, value) for reading, value in zip(data.readings, true, strict=True)
            if "knee" in reading.at and value is not None]  # fmt: skip
    volts = [value for reading, value in held if reading.quantity == "output-voltage"]
    amps = [value for reading, value in held if reading.quantity == "load-current"]
    if not volts or not amps:
        return None
    set_v, drawn_a = float(held[0][0].at["set_v"]), max(amps) - amps[0]
    wanted_v = volts[0] - opened.truth.output_ohm * drawn_a

    def limited_a(share: float) -> float:
        """Current in the load at a share of the set voltage, but for a constant."""
        v = share * set_v
        near = math.exp(-max(wanted_v - v, 0.0) / regulator.limit_knee_v)
        through_s = 1 / regulator.limit_ohm + 1 / regulator.bleed_ohm
        return float(-v * through_s - regulator.limit_knee_a * near)

    return abs(limited_a(1 - FULLY_LIMITED) - limited_a(1 - DROOP))
