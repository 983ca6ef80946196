"""The load's own supervision: protections that trip and latch, turn-on voltage, heat.

Bits of the questionable condition: 1 OV, 2 OC, 8 OP, 16 OT, 256 reverse voltage, 1024 level not
reached, 8192 a protection has put the input off (a layout common to several makers).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim_instruments.load import Load

__all__ = ["LoadGuard"]

_BITS = {"OV": 1, "OC": 2, "OP": 8, "OT": 16, "RV": 256}
_UNREGULATED, _PUT_OFF = 1024, 8192
_QUICK_S, _SLOW_S, _QUICK_FOR_S = 0.02, 0.5, 1.0
_HEAT_TAU_S, _AMBIENT_C, _TRIP_C = 90.0, 25.0, 95.0
_FULL_POWER_RISE_K = 55.0


class LoadGuard:
    """Looks at voltage and current from time to time by bench alarms while the input is on."""

    def __init__(self, load: Load) -> None:
        self.load = load
        self.latched: set[str] = set()
        self.heatsink_c = _AMBIENT_C
        self.holds_off = False
        self.fully_on = False
        self._over: dict[str, float] = {}
        self._quick_until_s = -math.inf
        self._watching = False
        self._looked_s = load.now_s

    def watch(self) -> None:
        """Something changed: look often for a while."""
        load = self.load
        self._quick_until_s = load.now_s + _QUICK_FOR_S
        self.holds_off = self._below_turn_on()
        if load.settings["input"] and not self._watching:
            self._watching = True
            self._looked_s = load.now_s
            self._look_again()

    def trip(self, kind: str) -> None:
        """Latch a protection and put the input off; `FULL` drives the load fully on instead.

        Some loads do that on over-voltage, to pull the source down.
        """
        if kind == "FULL":
            self.fully_on = True
            self.load.apply()
            return
        self.latched.add(kind)
        self.load.settings["input"] = False
        self.load.apply()

    def clear(self) -> None:
        """Let go of everything latched; the input stays as it is."""
        self.fully_on = False
        self.latched.clear()
        self._over.clear()

    def condition(self) -> int:
        """Give the bits as they are now."""
        value = sum(_BITS[kind] for kind in self.latched if kind in _BITS)
        if self.latched:
            value |= _PUT_OFF
        if self.fully_on:
            value |= _BITS["OV"]
        load = self.load
        now_s = load.now_s
        volts = load.true_volts(now_s - 1e-3, now_s)
        if volts < -0.1:
            value |= _BITS["RV"]
        settings = load.settings
        steady = now_s > load.busy_until_s() + 0.02 and not settings["transient"]
        if settings["input"] and settings["mode"] == "CURR" and not settings["short"] and steady:
            wanted = settings["CURR"]
            if load.plant.load_a(now_s - 5e-3, now_s) < 0.97 * wanted - 2e-3 * load.current_range_a:
                value |= _UNREGULATED
        return value

    # --- inside

    def _look_again(self) -> None:
        load = self.load
        pause_s = _QUICK_S if load.now_s < self._quick_until_s else _SLOW_S
        if self._over or self.holds_off:
            pause_s = _QUICK_S
        load.alarms.at(load.now_s + pause_s, self._look)

    def _look(self) -> None:
        load = self.load
        with load.lock:
            if not load.settings["input"]:
                self._watching = False
                return
            now_s = load.now_s
            from_s, self._looked_s = self._looked_s, now_s
            volts = load.true_volts(from_s, now_s)
            amperes = load.plant.load_a(from_s, now_s)
            self._heat(volts * amperes, now_s - from_s)
            kind = self._exceeded(volts, amperes, now_s)
            if kind:
                self._watching = False
                self.trip(kind)
                return
            self._turn_on()
            self._look_again()

    def _heat(self, watts: float, seconds: float) -> None:
        final_c = _AMBIENT_C + _FULL_POWER_RISE_K * watts / self.load.rating.power_w
        self.heatsink_c += (final_c - self.heatsink_c) * (1 - math.exp(-seconds / _HEAT_TAU_S))

    def _exceeded(self, volts: float, amperes: float, now_s: float) -> str:
        """Name of a protection whose delay has run out, or nothing."""
        load, settings = self.load, self.load.settings
        over = {
            "OV": (volts > 1.05 * load.rating.voltage_v, 0.0),
            "OC": (settings["oc on"] and amperes > settings["oc level"], settings["oc delay"]),
            "OP": (volts * amperes > settings["op level"], 0.05),
            "OT": (self.heatsink_c > _TRIP_C, 0.0),
        }
        for kind, (beyond, delay_s) in over.items():
            if not beyond:
                self._over.pop(kind, None)
            elif now_s - self._over.setdefault(kind, now_s) >= delay_s - 1e-9:
                return kind
        return ""

    def _below_turn_on(self) -> bool:
        load = self.load
        von = float(load.settings["von"])
        return von > 0.0 and load.true_volts(load.now_s - 1e-3, load.now_s) < von

    def _turn_on(self) -> None:
        if self._below_turn_on() != self.holds_off:
            self.load.apply()
