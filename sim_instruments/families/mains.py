"""What families of mains gear say: a source, two power meters, a logger for thermocouples.

Sources: public driver of the 61604 and the 61503 guide; the WT310EH guide (items, headers,
update); a public driver of the GPM-8310 with a recorded reply; public drivers of the 34970A. From
memory: how the WT310 writes a number, the header before an answer until headers are off.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable, Mapping

from sim_instruments.families.family import Family, Figure, Switch
from sim_instruments.mains_gear import MainsMeter, MainsSource, Thermometer
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Later
from sim_instruments.scpi.kinds import Boolean, Integer, Number, Word
from sim_instruments.scpi.program import Datum
from sim_instruments.scpi.tree import Command

__all__ = ["K34970", "Chroma61", "Gpm8310", "Wt310"]


class Chroma61(Family, MainsSource):
    """61604: AC and DC parts are words of their own; steps of 0.1 V and 0.01 Hz; ON comes back."""

    idn = "Chroma,61604,{serial},1.20"
    lacks = ("STATus:OPERation",)

    def words(self) -> list[Command]:
        """Level, frequency, limits, switch, what flows."""
        most_v = Figure(0.0, 300.0, 300.0, ("V",), lambda v: round(v, 1), form="{:.1f}")
        volts = Figure(0.0, lambda: self.settings["limit"], self.nominal_v, ("V",),
                       lambda v: round(v, 1), form="{:.1f}")  # fmt: skip
        hertz = Figure(15.0, 1000.0, self.nominal_hz, ("HZ",), lambda f: round(f, 2), form="{:.2f}")
        amps = Figure(0.0, 16.0, 16.0, ("A",), form="{:.2f}")
        head = "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]:AC"
        return [
            self.setting(head, "volts", volts, self.nominal_v, self.apply),
            self.setting("[SOURce]:FREQuency[:IMMediate]", "hertz", hertz, self.nominal_hz,
                         self.apply),
            self.setting("[SOURce]:VOLTage:LIMit:AC", "limit", most_v, 300.0),
            self.setting("[SOURce]:CURRent:LIMit", "most", amps, 16.0),
            Command("OUTPut[:STATe]", self._switch,
                    lambda: Switch().write(self.settings["output"]), (Boolean(),)),
            *(
                self._flowing(word, pick)
                for word, pick in (
                    ("VOLTage:ACDC", lambda inlet: inlet.v_rms),
                    ("CURRent:AC", lambda inlet: inlet.i_rms),
                    ("POWer:AC[:REAL]", lambda inlet: inlet.p_w),
                    ("FREQuency", lambda inlet: inlet.f_hz),
                )
            ),
        ]  # fmt: skip

    def _flowing(self, word: str, pick: Callable[..., float]) -> Command:
        def ask() -> str:
            return f"{pick(self.site.inlet(self.now_s - 0.2, self.now_s)):.3f}"

        return Command(f"FETCh[:SCALar]:{word}", ask=ask)


class _Items(Family, MainsMeter):
    """A power meter whose list of figures is put together by the user."""

    names: Mapping[str, int] = {"U": 0, "I": 1, "P": 2, "S": 3, "LAMBda": 4, "FU": 5}
    first: tuple[str, ...] = ()
    more: tuple[str, ...] = ()

    def _item_words(self) -> list[Command]:
        names = Word(*self.names, *self.more)
        for number in range(1, 9):
            given = self.first[number - 1] if number <= len(self.first) else "U"
            self.default(f"item{number}", given)
        self.default("number", len(self.first))

        def choose(number: int, name: str, element: int) -> None:
            self.settings[f"item{number}"] = name

        def chosen(number: int) -> str:
            return f"{self.settings[f'item{number}']},1"

        count = Integer(1, 8, len(self.first))
        return [
            self.setting("NUMeric[:NORMal]:NUMber", "number", count, len(self.first)),
            Command("NUMeric[:NORMal]:ITEM<8>", choose, chosen, (names, Integer(1, 1, 1))),
            Command("NUMeric[:NORMal]:VALue", ask=self._values),
        ]

    def _values(self) -> Later | str:
        """Figures of the last finished update; nothing is waited for."""
        update_s = self.settings["update"]
        if self.now_s < update_s:
            return self._line(["NAN"] * self.settings["number"])
        figures = self._figures(update_s)
        chosen = [self.settings[f"item{n + 1}"] for n in range(self.settings["number"])]
        return self._line([self._written(self._figure(name, figures)) for name in chosen])

    def _figure(self, name: str, figures: list[float]) -> float:
        _, _, watts, apparent, factor, _ = figures
        if name == "Q":
            return math.sqrt(max(0.0, apparent**2 - watts**2))
        if name == "FI":
            return math.degrees(math.acos(factor))
        by_short = {Word._short(word): index for word, index in self.names.items()}
        return figures[by_short[name]]

    @abstractmethod
    def _written(self, value: float) -> str: ...

    def _line(self, fields: list[str]) -> str:
        return ",".join(fields)


class Wt310(_Items):
    """WT310: answers carry their header until told otherwise; errors are asked under STATus."""

    idn = "YOKOGAWA,WT310,{serial},F1.03"
    lacks = ("SYSTem", "STATus")
    first = ("U", "I", "P")

    def words(self) -> list[Command]:
        """Header, input, update, items."""
        rate = Number(0.1, 5.0, 0.25, ("S",))
        return [
            self.setting("COMMunicate:REMote", "far", Boolean(), False),
            self.setting("COMMunicate:HEADer", "headers", Boolean(), True),
            self.setting("COMMunicate:VERBose", "verbose", Boolean(), True),
            self.setting("INPut:MODE", "input", Word("RMS", "VMEan", "DC"), "RMS"),
            self.setting("INPut:CFACtor", "crest", Integer(3, 6, 3), 3),
            self.setting("RATE", "update", rate, 0.25, self._changed),
            self.setting("NUMeric:FORMat", "format", Word("ASCii", "FLOat"), "ASC"),
            *self._item_words(),
            Command("STATus:ERRor", ask=self._next_error),
        ]

    def _written(self, value: float) -> str:
        if value == 0.0:
            return "0.0000E+00"
        power = 3 * math.floor(math.log10(abs(value)) / 3)
        digits = 4 - max(0, math.floor(math.log10(abs(value))) - power)
        return f"{value / 10**power:.{digits}f}E{power:+03d}"

    def _line(self, fields: list[str]) -> str:
        text = super()._line(fields)
        if not self.settings["headers"]:
            return text
        return (":NUMERIC:NORMAL:VALUE " if self.settings["verbose"] else ":NUM:NORM:VAL ") + text


class Gpm8310(_Items):
    """GPM-8310: eight figures in plain decimals, CR LF."""

    idn = "GWInstek,GPM-8310,{serial},V1.10"
    reply_end = b"\r\n"
    first = ("U", "I", "P", "S", "FU", "LAMB", "Q", "FI")
    more = ("Q", "FI")

    def words(self) -> list[Command]:
        """Items and values."""
        return [
            self.setting("RATE", "update", Number(0.1, 20.0, 0.25, ("S",)), 0.25, self._changed),
            *self._item_words(),
        ]

    def _written(self, value: float) -> str:
        digits = 4 - max(0, math.floor(math.log10(max(abs(value), 1.0))))
        return f"{value:.{digits}f}"


class _Places:
    """A channel list out of the logger's first card."""

    def special(self, datum: Datum) -> None:
        """There are no limits to ask for."""

    def read(self, datum: Datum) -> tuple[int, ...]:
        """Channel numbers; -224 outside 101 to 120."""
        if datum.kind != "expression" or not datum.text.startswith("@"):
            raise ScpiError(-178)
        numbers: list[int] = []
        for part in datum.text[1:].split(","):
            low, _, high = part.partition(":")
            numbers += range(int(low), int(high or low) + 1)
        if not all(101 <= one <= 120 for one in numbers):
            raise ScpiError(-224)
        return tuple(numbers)

    def write(self, value: object) -> str:
        """As it is sent."""
        return f"(@{','.join(map(str, value))})"  # type: ignore[call-overload]


class K34970(Family, Thermometer):
    """34970A with thermocouples on 101 (heatsink) and 102 (room air); 103 and on are open."""

    idn = "HEWLETT-PACKARD,34970A,{serial},13-2-2"
    sign = "+"

    def words(self) -> list[Command]:
        """Unit and one measurement on a list."""
        unit = Word("C", "F", "K")
        self.default("unit", "C")
        for number in range(101, 121):
            self.default(f"unit{number}", "C")

        def choose(word: str, places: tuple[int, ...]) -> None:
            self.settings.update({f"unit{number}": word for number in places})

        def chosen(*places: tuple[int, ...]) -> str:
            if not places:
                raise ScpiError(-109)
            return ",".join(self.settings[f"unit{number}"] for number in places[0])

        kinds = (Word("TCouple", "RTD", "THERmistor"), Word("K", "J", "T"), _Places())
        return [
            Command("UNIT:TEMPerature", choose, chosen, (unit, _Places()), (_Places(),)),
            Command("MEASure:TEMPerature", ask=self._measure, asks=kinds),
        ]

    def _measure(self, *told: object) -> Later:
        if len(told) != 3:
            raise ScpiError(-109)
        places = told[2]

        def finish() -> str:
            return ",".join(self._written(n) for n in places)  # type: ignore[attr-defined]

        return Later(self.now_s + 0.3, finish)

    def _written(self, number: int) -> str:
        place = self.places.get(number - 100)
        if not place:
            return "+9.90000000E+37"
        noise = 0.02 * float(self.random.standard_normal())
        celsius = self.truth[number - 100].shown(self.site.temperature_c(place)) + noise
        shown = {"C": celsius, "F": celsius * 1.8 + 32, "K": celsius + 273.15}
        return f"{shown[self.settings[f'unit{number}']]:+.8E}"
