"""Meters that convert by themselves and are asked for the value on their display.

Sources: digest of the DM3058 guide of January 2015 and an owner's DM3058 over LAN; an owner's
notes on the XDM1241; a public driver of the GDM-8251A and 8255A.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from sim_instruments.accuracy import ErrorClass
from sim_instruments.families.family import Family
from sim_instruments.meter import Meter
from sim_instruments.meter_front import BENCH_METER, FrontEnd, next_up
from sim_instruments.meter_run import MeterRun
from sim_instruments.scpi.instrument import Bound, Later
from sim_instruments.scpi.kinds import Integer, Number, Word
from sim_instruments.scpi.tree import Command

__all__ = ["Dm3058", "Gdm8", "Xdm"]

_CONVERSION_S = 0.4  # slow rate: about 2.5 readings a second


class _Shown(Family, Meter):
    """A display renewed each conversion; a change of function or range starts anew."""

    def _start_anew(self) -> None:
        self.settings["nplc VOLT"] = 10.0
        self.settings["zero"] = "0"
        self._began_s, self._seen, self._value = self.now_s, 0, 0.0

    def changed(self) -> None:
        """As every meter; the display is renewed from now on."""
        super().changed()
        self._start_anew()

    def _choose(self, function: str, full_scale: float | None) -> None:
        self.settings["function"] = function
        self.settings[f"auto {function}"] = "1" if full_scale is None else "0"
        if full_scale is not None:
            spans = self.front_end.ranges(function)
            self.settings[f"range {function}"] = next_up(spans, full_scale)
        self.changed()

    def _conversions(self) -> int:
        began_s = getattr(self, "_began_s", None)
        if began_s is None:
            self._start_anew()
        return int((self.now_s - self._began_s) / _CONVERSION_S + 1e-9)

    def _display(self, write: Callable[[float], str]) -> Later:
        first = 1 if self._conversions() < 1 else 0

        def finish() -> str:
            number = self._conversions()
            if number != self._seen:
                self._seen = number
                start_s = self._began_s + (number - 1) * _CONVERSION_S
                run = MeterRun(self, start_s)
                run._autorange(start_s)
                self._value = run._reading(start_s + 0.1)
            return write(self._value)

        return Later(self._began_s + _CONVERSION_S if first else self.now_s, finish)


def _front(spans: tuple[float, ...], reading: float, counts: float, digits: float) -> FrontEnd:
    """Class: % of reading + so many counts."""
    dc = {full: ErrorClass(reading / 100, digits / counts) for full in spans}
    ac = {full if full < 1000 else 750.0: ErrorClass(0.005, 0.003) for full in spans}
    return FrontEnd(dc, ac, BENCH_METER.ohms, (10.0,), counts=counts)


class Dm3058(_Shown):
    """Ranges go by their index; `:MEAS?` says whether a fresh value is there."""

    idn = "Rigol Technologies,DM3058,DM3A{serial},01.01.00.02.02.00"
    lacks = ("SYSTem", "STATus")
    front_end = _front((0.2, 2.0, 20.0, 200.0, 1000.0), 0.015, 200_000.0, 8.0)

    def words(self) -> list[Command]:
        """Asking for a function that is not selected gets no answer."""
        return [
            Command("CMDSET", ask=lambda: "RIGOL"),
            Command("MEASure", self._way, self._fresh, takes=(Word("AUTO", "MANU"),)),
            *self._words_of("VOLT", "DC"),
            *self._words_of("VOLT:AC", "AC"),
        ]

    def _way(self, word: str) -> None:
        self.settings[f"auto {self.settings['function']}"] = "1" if word == "AUTO" else "0"
        self.changed()

    def _fresh(self) -> str:
        return "TRUE" if self._conversions() > self._seen else "FALSE"

    def _words_of(self, function: str, word: str) -> list[Command]:
        spans = self.front_end.ranges(function)

        def select() -> None:
            self.settings["function"] = function
            self.changed()

        def index(number: int) -> None:
            self._choose(function, spans[number])

        def show() -> Later | None:
            if self.settings["function"] != function:
                return None
            return self._display(lambda value: f"{_finite(value, 9.9e37):e}")

        head = f"MEASure:VOLTage:{word}"
        return [
            Command(f"FUNCtion:VOLTage:{word}", act=select),
            Command(head, index, show, takes=(Integer(0, len(spans) - 1),)),
            Command(
                f"{head}:RANGe",
                ask=lambda: str(spans.index(self.settings[f"range {function}"])),
            ),
        ]


class Xdm(_Shown):
    """No error queue, no star commands but the identity; what it does not know it passes over."""

    idn = "OWON,XDM1041,{serial},V4.1.0,3"
    lacks = ("SYSTem", "STATus", "*OPC", "*WAI", "*ES", "*ST", "*SRE", "*CLS", "*TST", "*TRG")
    reply_end = b"\r\n"
    front_end = _front((0.05, 0.5, 5.0, 50.0, 500.0, 1000.0), 0.05, 50_000.0, 10.0)

    def words(self) -> list[Command]:
        """`CONF` without a number, or `AUTO`, leaves the range to the meter."""
        volts = Number(0.0, 1000.0, 1000.0, ("V",))

        def dc(*full: float) -> None:
            self._choose("VOLT", full[0] if full else None)

        def ac(*full: float) -> None:
            self._choose("VOLT:AC", full[0] if full else None)

        def auto() -> None:
            self._choose(self.settings["function"], None)

        return [
            Command("CONFigure:VOLTage[:DC]", dc, takes=(volts,), optional=1),
            Command("CONFigure:VOLTage:AC", ac, takes=(volts,), optional=1),
            Command("AUTO", act=auto),
            Command("AUTO1", ask=lambda: self.settings[f"auto {self.settings['function']}"]),
            Command("RATE", act=lambda word: None, takes=(Word("S", "M", "F"),)),
            Command("FUNCtion", ask=self._function),
            Command("MEAS1", ask=lambda: self._display(lambda v: f"{_finite(v, 1e9):.6E}")),
            Command("MEAS2", ask=lambda: "NONe"),
            Command("SYSTem:REMote", act=lambda: None),
            Command("SYSTem:LOCal", act=lambda: None),
        ]

    def _function(self) -> str:
        return '"VOLT"' if self.settings["function"] == "VOLT" else '"VOLT AC"'

    def verdict(self, bound: Bound, error: int) -> str | None:
        """Firmware before May 2025 says nothing."""
        return None


class Gdm8(_Shown):
    """The function comes back as two digits; lines end with CR LF."""

    idn = "GW,GDM8261A,{serial},1.03"
    reply_end = b"\r\n"
    front_end = _front((0.1, 1.0, 10.0, 100.0, 1000.0), 0.0035, 1_200_000.0, 6.0)

    def words(self) -> list[Command]:
        """A change of function leaves the range to the meter unless it is named."""
        volts = Number(0.0, 1000.0, 1000.0, ("V",))

        def dc(*full: float) -> None:
            self._choose("VOLT", full[0] if full else None)

        def ac(*full: float) -> None:
            self._choose("VOLT:AC", full[0] if full else None)

        def auto(on: Any) -> None:
            self.settings[f"auto {self.settings['function']}"] = str(on)
            self.changed()

        return [
            Command("CONFigure:VOLTage:DC", dc, takes=(volts,), optional=1),
            Command("CONFigure:VOLTage:AC", ac, takes=(volts,), optional=1),
            Command("CONFigure:AUTO", auto, takes=(Integer(0, 1),)),
            Command("CONFigure:STATus:FUNCtion", ask=self._code),
            Command("SENSe:DETector:RATE", lambda word: None, lambda: "Slow",
                    takes=(Word("S", "M", "F"),)),
            Command("VAL1", ask=lambda: self._display(lambda v: f"{_finite(v, 9.9e37):+.6E}")),
        ]  # fmt: skip

    def _code(self) -> str:
        return "01" if self.settings["function"] == "VOLT" else "02"


def _finite(value: float, overload: float) -> float:
    return value if math.isfinite(value) else math.copysign(overload, value)
