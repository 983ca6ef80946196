"""What a person finds without a cable: handheld meters, resistors, a saved scope picture.

The topics are those of the roles by hand, ``by-hand:<name of the instrument>:<what>``. A
handheld of 6000 counts with 0.5 % + 2 counts on dc and 1 % + 3 counts on ac volts (common for
its class), drawn once for each name; resistors within 1 % of what is printed on them.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from sim_instruments.accuracy import stream
from sim_instruments.plant.settings import LoadDemand
from sim_instruments.stand import Stand

__all__ = ["TOPIC", "Handhelds"]

TOPIC = "by-hand:"
COUNTS, LOWEST_V = 6000, 0.6
DC_ERROR, AC_ERROR = (0.005, 2), (0.01, 3)
"""Share of the reading, and counts."""
INPUT_OHMS = 10e6
LOOK_S = 0.4
RESISTOR_ERROR = 0.01
LINE_ERROR = 0.005
PICTURE_BITS, PICTURE_NOISE = 8, 0.6
"""Steps of the picture, and the scope's own noise in steps (rms)."""


class Handhelds:
    """Reads and connects by hand; saved scope pictures last until it is closed."""

    def __init__(self, stand: Stand, seed: int) -> None:
        self._stand, self._seed = stand, seed
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._pictures = 0

    def close(self) -> None:
        """Throw the saved pictures away."""
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def shows(self, topic: str) -> float | None:
        """What an instrument shows for this topic; None when there is no such quantity."""
        _, name, quantity = topic.split(":", maxsplit=2)
        role = next((e.role for e in self._stand.bench.instrument if e.name == name), "")
        if role == "mains-meter":
            return self._mains(name, quantity)
        if role == "thermometer":
            place = "ambient" if quantity.startswith("ambient") else "heatsink"
            return round(self._stand.plant.temperature_c(place), 1)
        return self._volts(name, role, "ac" if "ac-" in quantity else "dc")

    def _volts(self, name: str, role: str, kind: str) -> float:
        plant, now_s = self._stand.plant, self._stand.clock.mono_s()
        ends = ("plus", "minus") if role == "load" else ("hi", "lo")
        leads = self._stand.leads(f"{name}.{ends[0]}", f"{name}.{ends[1]}")
        if not leads.on:
            return 0.0
        plant.attach(name, leads.hi, leads.lo, INPUT_OHMS)
        self._stand.clock.sleep(LOOK_S)
        if kind == "ac":
            true_v = plant.rms_ac_v(leads.hi, leads.lo, now_s, now_s + LOOK_S)
        else:
            true_v = plant.mean_v(leads.hi, leads.lo, now_s, now_s + LOOK_S)
        full_v = LOWEST_V
        while abs(true_v) >= full_v:
            full_v *= 10.0
        share, counts = AC_ERROR if kind == "ac" else DC_ERROR
        step_v = full_v / COUNTS
        luck = stream(self._seed, f"{name} {kind} {full_v:g}").uniform(-1, 1, 2)
        shown_v = true_v * (1 + share * float(luck[0])) + counts * step_v * float(luck[1])
        return float(round(shown_v / step_v) * step_v)

    def _mains(self, name: str, quantity: str) -> float | None:
        now_s = self._stand.clock.mono_s()
        inlet = self._stand.plant.inlet(max(0.0, now_s - LOOK_S), now_s)
        known = {
            "line-voltage": (inlet.v_rms, 1), "inlet-current": (inlet.i_rms, 3),
            "inlet-power": (inlet.p_w, 1), "line-frequency": (inlet.f_hz, 1),
        }  # fmt: skip
        if quantity not in known:
            return None
        value, digits = known[quantity]
        gain = 1 + LINE_ERROR * float(stream(self._seed, f"{name} {quantity}").uniform(-1, 1))
        return round(value * (gain if quantity != "line-frequency" else 1.0), digits)

    def connect(self, ohms: float) -> None:
        """Put a load resistor across the output, or take it off (``ohms`` 0)."""
        if ohms <= 0.0:
            self._stand.plant.set_load(LoadDemand(mode="off"))
            return
        luck = float(stream(self._seed, f"resistor {ohms:g}").uniform(-1, 1))
        self._stand.plant.set_load(
            LoadDemand(mode="cr", level=ohms * (1 + RESISTOR_ERROR * luck), v_min=0.0)
        )

    def picture(self, request: Any) -> Path:
        """Save what the scope shows as a file of time and volts."""
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="asleft-pictures-")
        n = request.points
        start_s = self._stand.clock.mono_s()
        if request.trigger == "line":
            start_s = self._stand.plant.line_crossing_s(max(0.0, start_s))
        self._stand.clock.sleep(request.duration_s + 0.1)
        t_s = start_s + request.duration_s * np.arange(n) / n
        columns = [t_s - start_s]
        for channel in request.channels:
            columns.append(self._trace(request.name, channel, t_s))
        self._pictures += 1
        path = Path(self._folder.name) / f"picture-{self._pictures}.csv"
        head = "Time (s)," + ",".join(f"{one.channel.upper()} (V)" for one in request.channels)
        np.savetxt(path, np.column_stack(columns), "%.9g", ",", header=head, comments="")
        return path

    def _trace(self, name: str, channel: Any, t_s: Any) -> Any:
        leads = self._stand.leads(
            f"{name}.{channel.channel}.tip", f"{name}.{channel.channel}.shell"
        )
        volts = np.zeros_like(t_s)
        if leads.on:
            volts = self._stand.plant.samples_v(leads.hi, leads.lo, t_s)
        middle_v = float(np.mean(volts)) if channel.coupling == "ac" else channel.offset_v
        step_v = channel.span_v / 2**PICTURE_BITS
        half = channel.span_v / 2
        own = stream(self._seed + self._pictures, name).standard_normal(t_s.size)
        seen = volts - middle_v + PICTURE_NOISE * step_v * own
        return np.clip(np.round(seen / step_v) * step_v, -half, half) + (
            0.0 if channel.coupling == "ac" else channel.offset_v
        )
