"""Instruments without a cable: a person reads them, connects them, or carries a file over.

Each prompt names the instrument and what to read. A value far from what was expected is asked
for a second time; two that agree are believed, because the unit may really be that far off.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from runner.clock import Clock
from runner.errors import InstrumentError
from runner.instruments.roles import Identity, LoadState
from runner.instruments.worth import Worth
from runner.operator.requests import AskNumber, FitBleed, Operator
from runner.reading import Reading

__all__ = ["HandLoad", "HandMainsMeter", "HandMeter", "HandSeat", "HandThermometer"]

_FAR = 0.2
_SAME = 0.01
_RESISTOR_TOLERANCE = 0.01


@dataclass(frozen=True, slots=True)
class HandSeat:
    """What a role read by hand is built from; ``options`` is the bench file's ``link`` table."""

    name: str
    what: str
    identity: Identity
    operator: Operator | None
    clock: Clock
    worth: Worth
    ratings: dict[str, float]
    options: dict[str, Any]


class _ByHand:
    """Common to all: asking for a number."""

    def __init__(self, seat: HandSeat) -> None:
        self.name = seat.name
        self._seat = seat
        self._expect: dict[str, float] = {}

    def identity(self) -> Identity:
        """As the bench file names it."""
        return self._seat.identity

    def make_safe(self) -> None:
        """Nothing to switch."""

    def close(self) -> None:
        """Nothing to close."""

    def _number(self, quantity: str, unit: str, text: str, low: float, high: float) -> float | str:
        """The value, or the reason why there is none; what is far off is asked for twice."""
        value = self._once(quantity, unit, text, low, high)
        before = self._expect.get(quantity)
        if isinstance(value, str) or before is None or _close(value, before, _FAR):
            return value
        again = self._once(
            quantity, unit, f"{text} ({value:g} {unit} is far from {before:g}: look again)",
            low, high,
        )  # fmt: skip
        slip = not isinstance(again, str) and _close(again, before, _FAR)
        if isinstance(again, str) or slip or _close(again, value, _SAME):
            return again
        third = self._once(quantity, unit, f"{text} (once more, slowly)", low, high)
        if isinstance(third, str) or _close(third, again, _SAME) or _close(third, value, _SAME):
            return third
        return f"three readings that do not agree: {value:g}, {again:g}, {third:g} {unit}"

    def _once(self, quantity: str, unit: str, text: str, low: float, high: float) -> float | str:
        if self._seat.operator is None:
            return "nobody is there to read it"
        answer = self._seat.operator.answer(
            AskNumber(f"by-hand:{self.name}:{quantity}", text, unit=unit, low=low, high=high)
        )
        if not answer.done or answer.value is None:
            return f"not read ({answer.words or 'skipped'})"
        if not math.isfinite(answer.value) or not low <= answer.value <= high:
            return f"implausible: {answer.value:g} {unit}"
        return answer.value

    def _read(
        self, quantity: str, unit: str, function: str, *, low: float, high: float,
        ask: str | None = None,
    ) -> Reading:  # fmt: skip
        begun_s = self._seat.clock.mono_s()
        text = ask or f"What does {self._seat.what} show for the {quantity.replace('-', ' ')}?"
        found = self._number(quantity, unit, text, low, high)
        value = None if isinstance(found, str) else found
        return Reading(
            quantity=quantity, value=value, unit=unit, instrument=self.name, function=function,
            u=None if value is None else self._seat.worth.u(function, value, None),
            reason=found if isinstance(found, str) else None,
            raw="" if value is None else f"{value}",
            t_mono_s=(begun_s + self._seat.clock.mono_s()) / 2,
        )  # fmt: skip

    def _fitted(self, text: str, ohms: float) -> bool:
        """Have a load resistor connected (0 Ω: taken off); False when it was not done."""
        if self._seat.operator is None:
            return False
        topic = f"by-hand:{self.name}:load"
        request = FitBleed(topic, text, "unit.plus", "unit.minus", ohms)
        return self._seat.operator.answer(request).done


class HandMeter(_ByHand):
    """A handheld meter."""

    def __init__(self, seat: HandSeat) -> None:
        super().__init__(seat)
        self._max_v = seat.ratings.get("voltage_max") or 1000.0
        self.last_v: float | None = None

    def set_dc_volts(self, *, expect_v: float | None, nplc: float = 10.0) -> None:
        """Remember what is expected: a person turns the dial, an expectation catches slips."""
        self._expect.clear()
        if expect_v is not None:
            self._expect["output-voltage"] = expect_v

    def read_volts(self, quantity: str = "output-voltage") -> Reading:
        """One dc reading in V."""
        reading = self._read(quantity, "V", "dc-volts", low=-self._max_v, high=self._max_v)
        if reading.value is not None and quantity == "output-voltage":
            self.last_v = self._expect["output-voltage"] = reading.value
        return reading

    def read_volts_many(self, n: int, quantity: str = "output-voltage") -> list[Reading]:
        """One dc reading for all ``n``: a display that stands still shows the same again."""
        return [self.read_volts(quantity)]

    def read_ac_volts(self, *, expect_v: float | None, quantity: str = "ac-voltage") -> Reading:
        """True-rms ac reading in V."""
        return self._read(
            quantity, "V", "ac-volts", low=0.0, high=self._max_v,
            ask=f"Turn {self._seat.what} to ac volts (true rms). What does it show?",
        )  # fmt: skip

    @property
    def input_ohms(self) -> float:
        """Usual for a handheld: 10 MΩ, or what the bench file says."""
        return float(self._seat.options.get("input_ohms", 1e7))


class HandLoad(_ByHand):
    """Fixed resistors or lamps that a person connects.

    ``resistors_ohm`` in the bench file's ``link`` table are those at hand, ``tolerance_pct``
    what they are good for. The current is the voltage over the resistance: ``volts`` gives the
    last output voltage that was measured.
    """

    def __init__(self, seat: HandSeat, volts: Callable[[], float | None]) -> None:
        super().__init__(seat)
        self._resistors = sorted(float(r) for r in seat.options.get("resistors_ohm", ()))
        self._tolerance = float(seat.options.get("tolerance_pct", 100 * _RESISTOR_TOLERANCE)) / 100
        self._volts = volts
        self._ohms: float | None = None
        self._on = False
        self.max_current_a = seat.ratings.get("current_max") or math.inf
        self.max_voltage_v = seat.ratings.get("voltage_max") or math.inf
        self.max_power_w = seat.ratings.get("power_max") or math.inf

    def set_current(self, level_a: float, *, slew_a_per_s: float | None = None) -> None:
        """Choose the resistor that draws nearest to this at the voltage last measured."""
        volts = self._volts()
        if not self._resistors:
            self._choose(self._typed(level_a, volts))
            return
        if level_a <= 0 or volts is None or volts <= 0:
            self._choose(None if level_a <= 0 else self._resistors[-1])
            return
        self._choose(self._nearest(volts, level_a))

    def nearest_a(self, volts: float, wanted_a: float) -> float:
        """What the resistor nearest to this current draws; without a list, what is wanted."""
        if not self._resistors or volts <= 0 or wanted_a <= 0:
            return wanted_a
        return volts / self._nearest(volts, wanted_a)

    def _nearest(self, volts: float, wanted_a: float) -> float:
        return min(self._resistors, key=lambda ohms: abs(volts / ohms - wanted_a))

    def set_resistance(self, level_ohm: float, *, expect_a: float | None = None) -> None:
        """Choose the resistor nearest to this; what it takes follows from the output."""
        known = self._resistors or [level_ohm]
        self._choose(min(known, key=lambda ohms: abs(ohms - level_ohm)))

    def _typed(self, level_a: float, volts: float | None) -> float | None:
        """Without a list: the person says which resistor was taken.

        :raises InstrumentError: none
        """
        if level_a <= 0:
            return None
        about = f", about {volts / level_a:.3g} Ω" if volts else ""
        text = f"Take a resistor that draws {level_a:.3g} A{about}. What is its resistance?"
        found = self._number("load-resistance", "Ω", text, 0.01, 1e6)
        self._expect.pop("load-resistance", None)
        if isinstance(found, str):
            raise InstrumentError(f"{self.name}: no load resistor ({found})")
        return found

    def _choose(self, ohms: float | None) -> None:
        was_on = self._on and ohms != self._ohms
        self._ohms = ohms
        if was_on:
            self.input(ohms is not None)

    def input(self, on: bool) -> None:
        """Have the resistor connected or taken off.

        :raises InstrumentError: it was not done
        """
        wanted = on and self._ohms is not None
        if wanted == self._on and not wanted:
            return
        ohms = self._ohms if wanted and self._ohms is not None else 0.0
        text = (
            f"Connect the resistor of {ohms:g} Ω across the output. Is it connected?"
            if wanted
            else "Take the load resistor off the output. Is it off?"
        )
        if not self._fitted(text, ohms):
            raise InstrumentError(
                f"{self.name}: the load was not {'connected' if wanted else 'taken off'}"
            )
        self._on = wanted

    def short(self, on: bool) -> None:
        """Not by hand.

        :raises InstrumentError: always
        """
        raise InstrumentError(f"{self.name}: a short by hand is not asked for")

    def pulse(self, low_a: float, high_a: float, frequency_hz: float, slew_a_per_s: float) -> None:
        """Not by hand.

        :raises InstrumentError: always
        """
        raise InstrumentError(f"{self.name}: nobody switches a resistor at {frequency_hz:g} Hz")

    def pulse_off(self) -> None:
        """Nothing pulses."""

    def read_amps(self, quantity: str = "load-current") -> Reading:
        """Current from the voltage last measured and the resistance connected, A."""
        volts, now_s = self._volts(), self._seat.clock.mono_s()
        value, u, reason = None, None, None
        if not self._on or self._ohms is None:
            value, u = 0.0, 0.0
        elif volts is None:
            reason = "the output voltage was not measured"
        else:
            value = volts / self._ohms
            u = abs(value) * self._tolerance / math.sqrt(3)
        return Reading(
            quantity=quantity, value=value, unit="A", instrument=self.name,
            function="resistor-amps", u=u, reason=reason, t_mono_s=now_s,
            raw=f"{self._ohms or math.inf:g} Ω",
        )  # fmt: skip

    def read_volts(self, quantity: str = "load-voltage") -> Reading:
        """Voltage at the load's terminals, V."""
        return self._read(
            quantity, "V", "dc-volts", low=0.0, high=1000.0,
            ask="What is the voltage right at the load resistor's terminals?",
        )  # fmt: skip

    def state(self) -> LoadState:
        """As the person said."""
        return LoadState(input_on=self._on, tripped=None, unregulated=False)

    def off_confirmed(self) -> bool:
        """Ask for the load to be taken off; never raises."""
        if not self._on:
            return True
        try:
            self.input(False)
        except Exception:  # noqa: BLE001 - whatever it was, the answer is "not confirmed"
            return False
        return True


class HandMainsMeter(_ByHand):
    """A plug-in power meter read by a person."""

    def read_mains(self) -> dict[str, Reading]:
        """Line voltage (V), inlet current (A), power (W), frequency (Hz); each may be skipped."""
        return {
            "line-voltage": self._read("line-voltage", "V", "line-volts", low=0.0, high=500.0),
            "inlet-current": self._read("inlet-current", "A", "line-amps", low=0.0, high=32.0),
            "inlet-power": self._read("inlet-power", "W", "line-watts", low=0.0, high=8000.0),
            "line-frequency": self._read("line-frequency", "Hz", "line-hertz", low=0.0, high=500.0),
        }


class HandThermometer(_ByHand):
    """A thermometer read by a person."""

    def read_celsius(self, quantity: str = "heatsink-temperature") -> Reading:
        """Temperature in °C."""
        return self._read(quantity, "°C", "celsius", low=-60.0, high=300.0)


def _close(a: float, b: float, share: float) -> bool:
    return abs(a - b) <= share * max(abs(a), abs(b)) + 1e-9
