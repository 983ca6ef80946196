"""One run of the meter: from INIT to the last reading, taken as bench time passes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim_instruments.meter_front import (
    auto_delay_s,
    noise_rms,
    range_for,
)

if TYPE_CHECKING:
    from sim_instruments.meter import Meter

__all__ = ["MeterRun"]

_RANGE_STEP_S = 0.03  # relays and amplifier settle after each change of range
_COUPLING_TAU_S = 0.2  # blocking capacitor of the ac input
_PACE_S = 10.0  # long runs are worked off in parts, so that no old history is needed
_AC_WINDOW_S = {3.0: 1.0, 20.0: 0.2, 200.0: 0.04}


class MeterRun:
    """Readings of one INIT. Times are bench seconds."""

    def __init__(self, meter: Meter, armed_s: float) -> None:
        self.meter = meter
        settings = meter.settings
        self.function: str = settings["function"]
        self.wanted: int = settings["samples"]
        self.triggers_left: int = settings["triggers"]
        self.values: list[float] = []
        self.waiting = True
        self._stopped = False
        self._left = 0
        self._next_s = armed_s
        self._ranged = False

    @property
    def idle_forever(self) -> bool:
        """Nothing was taken and nothing will be."""
        return self._stopped and not self.values

    def trigger(self, now_s: float) -> None:
        """Begin the readings of one trigger."""
        self.waiting = False
        self.triggers_left -= 1
        self._left = self.wanted
        self._next_s = now_s
        self._ranged = False
        if self.meter.settings["source"] == "IMM":
            self._left += self.wanted * self.triggers_left
            self.triggers_left = 0

    def stop(self, now_s: float) -> None:
        """Abort: finished readings stay."""
        self.advance(now_s)
        self._left, self.triggers_left, self.waiting, self._stopped = 0, 0, False, True

    def end_s(self, now_s: float) -> float:
        """Moment of the last reading, infinity while a trigger is awaited."""
        self.advance(now_s)
        if self.waiting:
            return math.inf
        if not self._left:
            return -math.inf
        return self._next_s + self._lead_in_s() + self._duration_s() * self._left

    def taken(self, now_s: float) -> int:
        """Readings in memory."""
        self.advance(now_s)
        return len(self.values)

    def keep_pace(self) -> None:
        """Work off a long run while nobody asks; a short one needs no help."""
        if self.end_s(self.meter.now_s) < self.meter.now_s + _PACE_S:
            return

        def again() -> None:
            if self.meter.run is self and (self._left or self.waiting):
                with self.meter.lock:
                    self.advance(self.meter.now_s)
                self.keep_pace()

        self.meter.alarms.at(self.meter.now_s + _PACE_S, again)

    def advance(self, now_s: float) -> None:
        """Take every reading that is finished by now."""
        while self._left:
            start_s = self._next_s + self._lead_in_s()
            if start_s > now_s:
                return
            if not self._ranged:
                self._ranged = True
                steps = self._autorange(start_s)
                if steps:
                    self._next_s += steps * _RANGE_STEP_S
                    continue
            duration_s = self._duration_s()
            if start_s + duration_s > now_s + 1e-12:
                return
            self.values.append(self._reading(start_s))
            self._left -= 1
            self._next_s = start_s + duration_s - self._lead_in_s()
            self._ranged = False
            if not self._left and self.triggers_left:
                self.waiting = True

    # --- timing

    def _lead_in_s(self) -> float:
        settings = self.meter.settings
        if settings["auto delay"]:
            return auto_delay_s(self.function, settings["band"])
        return float(settings["delay"])

    def _aperture_s(self) -> float:
        settings = self.meter.settings
        if self.function == "VOLT:AC":
            return _AC_WINDOW_S[settings["band"]]
        return float(settings[f"nplc {self.function}"]) / self.meter.line_hz

    def _duration_s(self) -> float:
        doubled = self.function == "VOLT" and self.meter.settings["zero"] == "1"
        return self._aperture_s() * (2.0 if doubled else 1.0) + 0.3e-3

    # --- readings

    def wanted_range(self, function: str, at_s: float) -> float:
        """Range that autorange would take for what is at the input."""
        now = self.meter.settings[f"range {function}"]
        magnitude = abs(self._true_value(function, at_s - 1e-3, at_s))
        front = self.meter.front_end
        return range_for(front.ranges(function), now, magnitude, front.over_range)

    def _autorange(self, at_s: float) -> int:
        """Change the range if need be; give how many steps it took."""
        settings = self.meter.settings
        if settings[f"auto {self.function}"] != "1":
            return 0
        now = settings[f"range {self.function}"]
        wanted = self.wanted_range(self.function, at_s)
        settings[f"range {self.function}"] = wanted
        if wanted != now:
            self.meter.load_terminals()
        ranges = self.meter.front_end.ranges(self.function)
        return abs(ranges.index(wanted) - ranges.index(now))

    def _reading(self, start_s: float) -> float:
        meter, function = self.meter, self.function
        full = meter.settings[f"range {function}"]
        true = self._true_value(function, start_s, start_s + self._aperture_s())
        nplc = meter.settings.get(f"nplc {function}", 10.0)
        noise = float(meter.random.standard_normal()) * noise_rms(full, nplc) * meter.truth.noise
        shown = meter.truth.of(function)[full].shown(true) + noise
        meter.overload[function] = not abs(shown) <= meter.front_end.limit(full)
        if meter.overload[function]:
            return math.copysign(math.inf, shown)
        step = meter.front_end.step(full, nplc)
        return round(shown / step) * step

    def _true_value(self, function: str, from_s: float, to_s: float) -> float:
        meter = self.meter
        if function == "RES":
            return self._resistance()
        if not meter.leads.on:
            return 0.0
        hi, lo = meter.leads.hi, meter.leads.lo
        if function == "VOLT":
            return meter.site.mean_v(hi, lo, from_s, to_s)
        ripple_v = meter.site.rms_ac_v(hi, lo, from_s, to_s)
        return math.hypot(ripple_v, self._unsettled_v(from_s, to_s))

    def _unsettled_v(self, from_s: float, to_s: float) -> float:
        """What the blocking capacitor has not yet taken up of an earlier dc step."""
        meter, tau_s, step_s = self.meter, _COUPLING_TAU_S, _COUPLING_TAU_S / 4
        hi, lo = meter.leads.hi, meter.leads.lo
        held_v = weight_sum = 0.0
        for n in range(40):  # ten time constants
            end_s = from_s - n * step_s
            if end_s - step_s < 0.0:
                break
            weight = math.exp(-n * step_s / tau_s)
            held_v += weight * meter.site.mean_v(hi, lo, end_s - step_s, end_s)
            weight_sum += weight
        if not weight_sum:
            return 0.0
        aperture = (to_s - from_s) / tau_s
        fading = math.sqrt((1 - math.exp(-2 * aperture)) / (2 * aperture))
        return (meter.site.mean_v(hi, lo, from_s, to_s) - held_v / weight_sum) * fading

    def _resistance(self) -> float:
        """Ohms between the leads; a live or open circuit overloads the input."""
        meter = self.meter
        if not meter.leads.on:
            return math.inf
        return meter.site.resistance_ohm(meter.leads.hi, meter.leads.lo, but=meter.name)
