"""Instruments whose errors lie anywhere within their makers' limits, evenly."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.checks.impedance import LEVEL_PCT
from runner.reading import Reading
from sim_instruments.load import Load
from sim_instruments.meter import Meter
from sim_instruments.meter_front import BENCH_METER
from sim_instruments.scope import Scope
from sim_instruments.scope_front import ChannelSetting

__all__ = ["DIFFERENCE_DIV", "DIFFERENCE_V", "Drawn"]

Floats = NDArray[np.float64]
DIFFERENCE_DIV, DIFFERENCE_V = 0.15, 1.2e-3
"""What the invented scope's sheet allows a difference of two samples beside its gain."""
RESISTANCE = 0.01
"""Limit of the bleed resistor and of the meter's own resistance."""
STEPS, SLOPES = frozenset({"switching", "tap-map"}), frozenset({"transient"})


class Drawn:
    """The errors of one bench, by seed."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng([seed, 4004])
        self._at = self._gain = 0.0

    def instruments(self, opened: Any) -> None:
        """Draw the instruments of a bench that was just opened.

        The statement ±(a of reading + b of range) is one limit; so one number places gain and
        offset of a range. (The bench by itself draws gain and offset apart, whose sum reaches
        the limit less often.)
        """
        for instrument in opened.instruments.values():
            if isinstance(instrument, Meter):
                self._meter(instrument)
            elif isinstance(instrument, Load):
                self._load(instrument)
        self._resistors(opened)
        self._at = float(self._random.uniform(-1, 1))
        for instrument in opened.instruments.values():
            if isinstance(instrument, Scope):
                self._gain = self._at * instrument.gain_limit
                for channel in instrument.truth.values():
                    channel.gain = self._gain
            elif isinstance(instrument, Load):
                instrument.truth.swing = float(self._random.uniform(-1, 1)) * LEVEL_PCT / 100

    def bent(self, check: str, setting: ChannelSetting, volts: Floats) -> Floats:
        """Bend a wave (n,) where its check takes a difference, so that this is off as drawn.

        The sheet's limit for two samples of one trace is drawn from evenly. For a peak beside a
        resting level the scope's curve has a step just above the level's own noise; for the way
        back into a band it has a slope about the level, full at a third of a division. A curve
        never turns back: a small rise is off downwards by no more than itself. The level is that
        of the trace's end, or of its beginning where the end has left the screen (a way off).
        """
        if check not in STEPS | SLOPES:
            return volts
        limit = self._at * (DIFFERENCE_DIV * setting.scale_v + DIFFERENCE_V * setting.probe)
        rest = volts[-volts.size // 10 :]
        if abs(np.median(rest) - setting.offset_v) > setting.full_v / 2:
            rest = volts[: volts.size // 10]
        away = volts - np.median(rest)
        if check in SLOPES:
            return np.asarray(volts + limit * np.clip(away / (setting.scale_v / 3), -1, 1))
        off = np.where(np.abs(away) > 2 * np.std(rest), limit * np.sign(away), 0.0)
        return np.asarray(volts + (off if limit > 0 else np.clip(off, -np.abs(away), np.abs(away))))

    def peaks_v(self, reading: Reading, true_v: float) -> float:
        """What a peak-to-peak reading is off by beside gain and noise, V.

        The sheet's limit for two samples holds with the scope's noise in them, which the
        simulated scope adds by itself: what this noise left of the limit is drawn from evenly.
        """
        probe = float(reading.at["probe"])
        limit = DIFFERENCE_DIV * float(reading.range or 0.0) / 8 + DIFFERENCE_V * probe
        noise = (reading.value or 0.0) - true_v * (1 + self._gain)
        return self._at * max(0.0, limit - max(0.0, noise))

    # ---- inside

    def _resistors(self, opened: Any) -> None:
        own, bleed = 1 + RESISTANCE * self._random.uniform(-1, 1, 2)
        for instrument in opened.instruments.values():
            if isinstance(instrument, Meter):
                instrument.input_ohm = partial(_times, own, instrument.input_ohm)  # type: ignore[method-assign]
        attach = opened.plant.attach

        def attach_drawn(name: str, a: str, b: str, ohms: float) -> None:
            attach(name, a, b, ohms * bleed if name == "bleed" else ohms)

        opened.plant.attach = attach_drawn

    def _meter(self, meter: Meter) -> None:
        for true, classes in (
            (meter.truth.volts, BENCH_METER.dc), (meter.truth.ac_volts, BENCH_METER.ac),
        ):  # fmt: skip
            for full, spec in classes.items():
                self._place(true[full], spec.of_reading, spec.of_range * full)

    def _load(self, load: Load) -> None:
        for true, spec in (
            (load.truth.level, Load.level_class),
            (load.truth.current, Load.current_class),
            (load.truth.voltage, Load.voltage_class),
        ):
            for full, error in true.items():
                self._place(error, spec.of_reading, spec.of_range * full)

    def _place(self, error: Any, gain: float, offset: float) -> None:
        at = float(self._random.uniform(-1, 1))
        error.gain, error.offset = at * gain, at * offset


def _times(factor: float, found: Callable[[], float]) -> float:
    return factor * found()
