"""Meters of the SCPI lineage in which READ? takes a reading when it is asked.

Sources: public drivers of the 34401A and 3446xA, the remote manual of the SDM3000 series, public
drivers of the 2000 and DMM6500. Accuracy classes: one-year figures of the makers' sheets.
"""

from __future__ import annotations

from functools import partial

from sim_instruments.accuracy import ErrorClass
from sim_instruments.families.family import Choice, Family, Figure
from sim_instruments.meter import Meter
from sim_instruments.meter_front import BENCH_METER, FrontEnd, next_up
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Later
from sim_instruments.scpi.kinds import Boolean, Text, Word
from sim_instruments.scpi.tree import Command

__all__ = ["K2000", "Dmm6500", "K3446x", "Sdm"]


def _classes(*rows: tuple[float, float, float]) -> dict[float, ErrorClass]:
    """Full scale, % of reading, % of range."""
    return {full: ErrorClass(reading / 100, span / 100) for full, reading, span in rows}


_AC = _classes(*((full, 0.06, 0.04) for full in (0.1, 1.0, 10.0, 100.0, 750.0)))


class K3446x(Family, Meter):
    """34465A: plus sign before error 0, impedance under VOLT:DC, more integration times."""

    idn = "Keysight Technologies,34465A,MY{serial},A.03.00-03.00"
    sign = "+"
    front_end = FrontEnd(
        _classes((0.1, 0.0040, 0.0035), (1.0, 0.0035, 0.0006), (10.0, 0.0030, 0.0004),
                 (100.0, 0.0040, 0.0006), (1000.0, 0.0040, 0.0006)),
        _AC, BENCH_METER.ohms, (0.001, 0.002, 0.006, 0.02, 0.06, 0.2, 1.0, 10.0, 100.0),
    )  # fmt: skip

    def words(self) -> list[Command]:
        """The words of the 34401A are those of the bench meter; the impedance moved."""
        kept = [one for one in Meter.commands(self) if not one.header.startswith("INPut")]
        head = "[SENSe]:VOLTage[:DC]:IMPedance:AUTO"
        return [*kept, self.setting(head, "high_z", Boolean(), False, self.changed)]


class Sdm(Family, Meter):
    """SDM3055: ranges of 2, three integration times, input 10M or 10G."""

    idn = "Siglent Technologies,SDM3055,SDM35G{serial},1.01.01.22R1"
    front_end = FrontEnd(
        _classes((0.2, 0.015, 0.004), (2.0, 0.015, 0.003), (20.0, 0.015, 0.004),
                 (200.0, 0.015, 0.003), (1000.0, 0.015, 0.003)),
        _classes(*((full, 0.2, 0.05) for full in (0.2, 2.0, 20.0, 200.0, 750.0))),
        BENCH_METER.ohms, (0.3, 1.0, 10.0), counts=200_000.0,
    )  # fmt: skip

    def words(self) -> list[Command]:
        """As the 34401A, the impedance as two words."""
        gone = ("INPut", "SYSTem:LFR")
        kept = [one for one in Meter.commands(self) if not one.header.startswith(gone)]
        ohms = self.setting("[SENSe]:VOLTage[:DC]:IMPedance", "ohms", Text({}), "10M")
        return [*kept, Command(ohms.header, ask=lambda: self.settings["ohms"])]


class _OwnFunction(Family, Meter):
    """Keithley's way: function and range are chosen apart, the tree hangs under SENSe."""

    def _own_nplc(self) -> list[Command]:
        nplcs = self.front_end.nplcs
        kind = Figure(nplcs[0], nplcs[-1], 1.0, (), lambda n: next_up(nplcs, n), form="{:.6G}")
        head = "[:SENSe]:VOLTage[:DC]:NPLCycles"
        self.default("nplc VOLT", 1.0)
        return [self.setting(head, "nplc VOLT", kind, 1.0, self.changed)]

    def _own_ranges(self, form: str, times: float) -> list[Command]:
        made = []
        for function, word in (("VOLT", "[:DC]"), ("VOLT:AC", ":AC")):
            spans = self.front_end.ranges(function)
            snap = partial(next_up, spans)
            kind = Figure(0.0, spans[-1], spans[-1], ("V",), snap, form=form)
            made += self._range_words(f"[:SENSe]:VOLTage{word}:RANGe", function, kind, times)
        return made

    def _range_words(self, head: str, function: str, kind: Figure, times: float) -> list[Command]:
        def put(value: float) -> None:
            self.settings[f"range {function}"] = value
            self.settings[f"auto {function}"] = "0"
            self.changed()

        def auto(on: bool) -> None:
            self.settings[f"auto {function}"] = "1" if on else "0"
            self.changed()

        return [
            Command(
                f"{head}[:UPPer]", put,
                lambda: kind.write(self.settings[f"range {function}"] * times), (kind,),
            ),
            Command(
                f"{head}:AUTO", auto, lambda: str(self.settings[f"auto {function}"]), (Boolean(),)
            ),
        ]  # fmt: skip


class K2000(_OwnFunction):
    """2000: measures by itself after power-on; READ? is refused until INIT:CONT OFF."""

    idn = "KEITHLEY INSTRUMENTS INC.,MODEL 2000,{serial},A20  /A02"
    front_end = FrontEnd(
        _classes((0.1, 0.0050, 0.0035), (1.0, 0.0030, 0.0007), (10.0, 0.0030, 0.0005),
                 (100.0, 0.0045, 0.0006), (1000.0, 0.0045, 0.0006)),
        _AC, BENCH_METER.ohms, (0.01, 0.1, 1.0, 10.0),
    )  # fmt: skip

    def words(self) -> list[Command]:
        """CONF chooses the function alone; a reading carries its unit unless told not to."""
        self.default("continuous", True)
        self.default("elements", "")
        return [
            *self._own_ranges("{:.6E}", 1.1),
            *self._own_nplc(),
            Command("INITiate:CONTinuous", self._continue, takes=(Boolean(),)),
            Command("INITiate[:IMMediate]", act=self._initiate),
            Command("ABORt", act=self.abort),
            Command("FORMat:ELEMents", self._elements, takes=(Word("READing"),)),
            Command("CONFigure:VOLTage[:DC]", act=lambda: self._configure("VOLT")),
            Command("CONFigure:VOLTage:AC", act=lambda: self._configure("VOLT:AC")),
            self.setting("SYSTem:AZERo:STATe", "azero", Boolean(), True),
            Command("READ", ask=self._one),
            Command("FETCh", ask=lambda: self._dressed(self._fetch())),
        ]

    def _continue(self, on: bool) -> None:
        self.settings["continuous"] = on

    def _elements(self, word: str) -> None:
        self.settings["elements"] = word

    def _configure(self, function: str, full_scale: float = 0.0, resolution: float = 0.0) -> None:
        kept = {key: self.settings[key] for key in ("continuous", "elements")}
        super()._configure(function, full_scale, resolution)
        self.settings.update(kept)
        self.settings["continuous"] = False

    def _one(self) -> Later:
        if self.settings["continuous"]:
            raise ScpiError(-213)
        return self._dressed(self._read())

    def _dressed(self, later: Later) -> Later:
        if self.settings["elements"]:
            return later

        def finish() -> object:
            found = later.finish()
            if isinstance(found, Later):
                return self._dressed(found)
            return f"{found}NVDC,+0.000SECS,+00000RDNG#"

        return Later(later.ready_s, finish, later.open_ended)


class Dmm6500(_OwnFunction):
    """DMM6500: the function is a string, there is no CONF, settings belong to a function."""

    idn = "KEITHLEY INSTRUMENTS,MODEL DMM6500,{serial},1.7.12b"
    front_end = FrontEnd(
        _classes((0.1, 0.0030, 0.0035), (1.0, 0.0025, 0.0006), (10.0, 0.0025, 0.0005),
                 (100.0, 0.0040, 0.0006), (1000.0, 0.0040, 0.0006)),
        _AC, BENCH_METER.ohms, (0.0005, 0.01, 0.1, 1.0, 10.0, 12.0),
    )  # fmt: skip

    def words(self) -> list[Command]:
        """Everything under SENSe."""
        names = {"VOLT:DC": "VOLT", "VOLTAGE:DC": "VOLT", "VOLT:AC": "VOLT:AC"}
        self.default("high_z", "")
        inputs = Choice({"AUTO": ("1", "AUTO"), "MOHM10": ("", "MOHM10")})
        return [
            *self._own_ranges("{:G}", 1.0),
            *self._own_nplc(),
            self.setting("[:SENSe]:FUNCtion[:ON]", "function", Text(names), "VOLT", self.changed),
            self.setting("[:SENSe]:VOLTage[:DC]:AZERo[:STATe]", "azero", Boolean(), True),
            self.setting("[:SENSe]:VOLTage[:DC]:INPut", "high_z", inputs, "", self.changed),
            Command("*LANG", ask=lambda: "SCPI"),
            Command("SYSTem:LFRequency", ask=lambda: f"{self.line_hz:.0f}"),
            Command("ABORt", act=self.abort),
            Command("READ", ask=self._read),
        ]
