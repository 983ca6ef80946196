"""Instruments whose errors lie anywhere within their makers' limits, evenly."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.checks.impedance import LEVEL_PCT
from sim_instruments.load import Load
from sim_instruments.meter import Meter
from sim_instruments.meter_front import BENCH_METER
from sim_instruments.scope import Scope
from sim_instruments.scope_front import ChannelSetting

__all__ = ["DIFFERENCE_DIV", "DIFFERENCE_V", "Drawn"]

Floats = NDArray[np.float64]
DIFFERENCE_DIV, DIFFERENCE_V = 0.15, 1.2e-3
"""What the invented scope's sheet allows a difference of two samples beside its gain."""
PEAK_FROM = 0.7
"""The scope's curve bends above this share of a wave's peak, so that its rms stays nearly true."""
PEAKS = frozenset({"ripple", "headroom"})
STEPS = frozenset({"switching", "tap-map"})


class Drawn:
    """The errors of one bench, by seed."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng([seed, 4004])
        self._at = 0.0

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
        self._at = float(self._random.uniform(-1, 1))
        for instrument in opened.instruments.values():
            if isinstance(instrument, Scope):
                for channel in instrument.truth.values():
                    channel.gain = self._at * instrument.gain_limit
            elif isinstance(instrument, Load):
                instrument.truth.swing = float(self._random.uniform(-1, 1)) * LEVEL_PCT / 100

    def bent(self, check: str, setting: ChannelSetting, volts: Floats) -> Floats:
        """Bend a wave (n,) so that the difference its check takes is off as far as was drawn.

        The sheet's limit for two samples of one trace is drawn from evenly. A difference of
        peaks is bent beyond ``PEAK_FROM`` of them; what rises above a resting level is bent
        about that level. A curve never turns back, so a small difference is off by less.
        """
        limit = self._at * (DIFFERENCE_DIV * setting.scale_v + DIFFERENCE_V * setting.probe)
        if check in PEAKS:
            middle = (float(volts.max()) + float(volts.min())) / 2
            peak = max(float(np.ptp(volts)) / 2, 1e-12)
            most = (1 - PEAK_FROM) * peak
            size = np.clip(limit / 2, -most, most)
            beyond = np.clip((np.abs(volts - middle) / peak - PEAK_FROM) / (1 - PEAK_FROM), 0, 1)
            return np.asarray(volts + size * np.sign(volts - middle) * beyond)
        if check in STEPS:
            rest = np.median(volts[-volts.size // 10 :])
            away = volts - rest
            return np.asarray(volts + np.clip(limit * np.sign(away), -np.abs(away), np.abs(away)))
        return volts

    # ---- inside

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
