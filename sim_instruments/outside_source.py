"""An outside source that a person joins to the unit's output, and the handheld meter beside it.

What stands at the terminals follows from the unit's own parts (bleeder, down-programmer, the
diode across the output) and from where its output stands. The steady state is solved here; the
plant's waves do not know of the source, so nothing else may look at the output meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass

from sim_instruments.accuracy import stream
from sim_instruments.plant.parts import Regulator
from sim_instruments.stand import Stand

__all__ = ["OutsideSource", "at_terminals"]

HANDHELD_ERROR = 0.005
DIGITS = {"V": 3, "A": 5}
LOOK_S = 0.2


def at_terminals(
    regulator: Regulator, own_v: float, source_v: float, source_a: float, series_ohm: float
) -> tuple[float, float]:
    """Voltage at the terminals (V) and current into the plus one (A), once they stand.

    ``own_v`` is where the output stands by itself (0: off). A negative ``source_v`` is a reversed
    source, limited to ``source_a``; the diode across the output then holds it, unless it is
    open. A source the right way round has ``series_ohm`` > 0 in its lead.
    """
    if source_v < 0.0:
        drop_v = regulator.reverse_diode_v
        if -source_v <= drop_v:
            return source_v, 0.0
        return -drop_v, -source_a
    sink_a = regulator.sink_a if own_v > 0.0 else 0.0
    bleed_s, series_s = 1.0 / regulator.bleed_ohm, 1.0 / series_ohm
    free_v = (source_v * series_s - sink_a) / (series_s + bleed_s)
    volts = max(free_v, own_v) if own_v > 0.0 else free_v
    return volts, max(0.0, (source_v - volts) * series_s)


@dataclass(slots=True)
class OutsideSource:
    """What is joined, and what a handheld meter shows of it."""

    stand: Stand
    seed: int
    volts: float = 0.0
    amps: float = 0.0
    ohms: float = 0.0

    def join(self, volts: float, amps: float, ohms: float) -> None:
        """Join it; 0 V takes it off."""
        self.volts, self.amps, self.ohms = volts, amps, ohms

    def shows(self, quantity: str) -> float:
        """Reading of a handheld meter: "reverse-voltage" in V, anything else the current in A."""
        plant = self.stand.plant
        now_s = self.stand.clock.mono_s()
        live = plant.mode() in {"cv", "cc"}
        own_v = plant.mean_v("plus", "minus", now_s - LOOK_S, now_s) if live else 0.0
        volts, amps = at_terminals(plant.parts.regulator, own_v, self.volts, self.amps, self.ohms)
        unit = "V" if quantity == "reverse-voltage" else "A"
        true = abs(volts) if unit == "V" else abs(amps)
        luck = float(stream(self.seed, f"handheld {quantity}").uniform(-1, 1))
        return round(true * (1 + HANDHELD_ERROR * luck), DIGITS[unit])
