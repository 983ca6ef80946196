"""Scopes with words and shapes of their own: an MDO3000 and an RTB2000.

Sources: public drivers of both. From memory: bandwidth and probe words of the RTB, *TRG as its
force.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim_instruments.families.family import Choice, Figure
from sim_instruments.families.scopes import (
    FamilyScope,
    Spelled,
    block,
    slopes,
    sources,
    true_volts,
)
from sim_instruments.scope_front import FULL_BANDWIDTH_HZ, LIMITED_BANDWIDTH_HZ, ChannelSetting
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.kinds import Boolean, Integer, Word
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.tree import Command

__all__ = ["Mdo3000", "Rtb2000"]


class Mdo3000(FamilyScope):
    """MDO3024: events in place of an error queue, gain in place of a probe's factor."""

    idn = "TEKTRONIX,MDO3024,C{serial},CF:91.1CT FV:v1.30"
    lacks = ("SYSTem", "STATus")
    states: Mapping[str, str] = {"ARM": "ARMED", "WAIT": "READY", "RUN": "TRIGGER", "STOP": "SAVE"}

    def shared_commands(self) -> Iterable[Command]:
        """The star words and the events."""
        kept = [one for one in super().shared_commands() if one.header.startswith("*")]
        return [*kept, Command("ALLEv", ask=self._events)]

    def _events(self) -> str:
        error = self.status.errors.pop()
        return f'{100 - error},"Event"' if error else '0,"No events to report - queue empty"'

    def words(self) -> list[Command]:
        """Channels, time, trigger, data."""
        self.default("headers", True)
        switches = [self.setting(word, key, Boolean(), True)
                    for word, key in (("HEADer", "headers"), ("VERBose", "verbose"))]  # fmt: skip
        return [*switches, *super().words()]

    def _channels(self) -> list[Command]:
        form = "{:.4E}"
        for number in range(1, 5):
            self.default(f"on{number}", number == 1)
            self.default(f"probe{number}", 1.0)
        gain = Figure(1e-4, 10.0, 1.0, form=form)

        def probe(number: int, times: float) -> None:
            self.settings[f"probe{number}"] = 1.0 / times
            self.settings_changed(number)

        return [
            self.own("SELect:CH<4>", "on", Boolean(), False),
            self.own("CH<4>:COUPling", "coupling", Word("AC", "DC"), "DC"),
            self.bands("CH<4>:BANdwidth", _Band()),
            Command("CH<4>:PRObe:GAIN", probe, lambda n: gain.write(1 / self.settings[f"probe{n}"]),
                    (gain,)),
            self.own("CH<4>:SCAle", "scale", self.volts_a_division(form), 1.0),
            self.setting("CH<4>:POSition", "shifted", Figure(-8.0, 8.0, 0.0, form=form), 0.0),
            self.own("CH<4>:OFFSet", "offset", Figure(-1000.0, 1000.0, 0.0, ("V",), form=form),
                     0.0),
        ]  # fmt: skip

    def _time(self) -> list[Command]:
        kinds = Choice({"SAMple": ("NORM", "SAMPLE"), "PEAKdetect": ("PEAK", "PEAKDETECT"),
                        "HIRes": ("HRES", "HIRES"), "AVErage": ("AVER", "AVERAGE")})  # fmt: skip
        depth = Spelled({str(n): n for n in (1000, 10_000, 100_000, 1_000_000, 5_000_000)})

        def run(on: bool | str) -> None:
            if on and self.settings["stop after"] == "SEQ":
                self.single()
            elif on:
                self.run_free()
            else:
                self.halt()

        return [
            self.own("HORizontal:SCAle", "timebase", self.time_base("{:.4E}", (1.0, 2.0, 4.0)),
                     1e-3),
            self.setting("HORizontal:DELay:MODe", "delayed", Boolean(), True),
            self.own("HORizontal:DELay:TIMe", "position", Figure(-25.0, 500.0, 0.0, form="{:.6E}"),
                     0.0),
            self.own("HORizontal:RECOrdlength", "points", depth, 10_000),
            self.own("ACQuire:MODe", "type", kinds, "NORM"),
            self.own("ACQuire:NUMAVg", "averages", Integer(2, 512, 16), 16),
            self.setting("ACQuire:STOPAfter", "stop after", Word("SEQuence", "RUNSTop"), "RUNST"),
            Command("ACQuire:STATE", run, lambda: str(int(self.mode != "stop")), (_OnStop(),)),
            Command("BUSY", ask=lambda: str(int(self.state() != "STOP"))),
        ]  # fmt: skip

    def _edge(self) -> list[Command]:
        self.default("trigger type", "EDGE")
        level = Figure(-1000.0, 1000.0, 0.0, ("V",), form="{:.4E}")
        leaning = Choice({"RISe": ("POS", "RISE"), "FALL": ("NEG", "FALL"),
                          "EITher": ("EITH", "EITHER")})  # fmt: skip
        modes = Choice({"AUTO": ("AUTO", "AUTO"), "NORMal": ("NORM", "NORMAL")})
        return [
            self.setting("TRIGger:A:TYPe", "mode word", Word("EDGE", "LOGIC"), "EDGE"),
            self.own("TRIGger:A:EDGE:SOUrce", "source", sources("CH{n}"), "CHAN1"),
            self.own("TRIGger:A:EDGE:SLOpe", "slope", leaning, "POS"),
            self.levels("TRIGger:A:LEVel:CH<4>", level),
            self.setting("TRIGger:A:MODe", "sweep", modes, "AUTO"),
            Command("TRIGger", lambda _: self.force(), takes=(Word("FORCe"),)),
            Command("TRIGger:STATE", ask=self.told_state),
        ]  # fmt: skip

    def _wave(self) -> list[Command]:
        index = Integer(1, 100_000_000, 1)
        codings = Choice({"RIBinary": ("RIB", "RIBINARY"), "SRIbinary": ("SRI", "SRIBINARY"),
                          "RPBinary": ("RPB", "RPBINARY"), "ASCIi": ("ASC", "ASCII")})  # fmt: skip
        return [
            self.setting("DATa:SOUrce", "waveform", sources("CH{n}"), "CHAN1"),
            self.setting("DATa:ENCdg", "coding", codings, "RIB"),
            self.setting("DATa:WIDth", "width", Integer(1, 2, 1), 1),
            self.setting("DATa:STARt", "first", index, 1),
            self.setting("DATa:STOP", "last", index, 10_000),
            *(Command(f"WFMOutpre:{word}", ask=lambda key=key: self._fact(key))
              for word, key in (("YMUlt", "ymult"), ("YOFf", "yoff"), ("YZEro", "yzero"),
                                ("XINcr", "xincr"), ("XZEro", "xzero"), ("NR_Pt", "points"))),
            Command("CURVe", ask=self.data),
        ]  # fmt: skip

    def _chosen_part(self) -> tuple[Any, NDArray[np.uint16], ChannelSetting]:
        record, codes, setting = self.codes_of(int(self.settings["waveform"][-1]))
        return record, codes[self.settings["first"] - 1 : self.settings["last"]], setting

    def _fact(self, key: str) -> str:
        record, codes, setting = self._chosen_part()
        plan = record.plan
        levels = 65536 if self.settings["width"] == 2 else 256
        middle = levels / 2 if self.settings["coding"] == "RPB" else 0
        return {
            "ymult": f"{setting.full_v / levels:.4E}", "yoff": f"{middle:.4E}",
            "yzero": f"{setting.offset_v:.6E}", "xincr": f"{plan.range_s / plan.points:.6E}",
            "xzero": f"{-plan.before_s:.6E}", "points": str(codes.size),
        }[key]  # fmt: skip

    def data(self) -> bytes:
        """Signed or not, high or low byte first, as chosen."""
        _, codes, _ = self._chosen_part()
        coding = self.settings["coding"]
        raw = codes if coding == "RPB" else codes ^ 0x8000
        if self.settings["width"] == 1:
            return block((raw >> 8).astype(np.uint8).tobytes())
        return block(raw.astype("<u2" if coding == "SRI" else ">u2").tobytes())


class _Band:
    """`20E6` or a word, answered as a number."""

    def special(self, datum: Any) -> None:
        """There are no limits to ask for."""

    def read(self, datum: Any) -> float:
        """The bandwidth in Hz."""
        if datum.kind == "number":
            return LIMITED_BANDWIDTH_HZ if datum.number <= 20e6 else FULL_BANDWIDTH_HZ
        if datum.text not in ("FUL", "FULL"):
            raise ScpiError(-141)
        return FULL_BANDWIDTH_HZ

    def write(self, value: object) -> str:
        """In MHz."""
        return f"{float(value) / 1e6:.4f}E+6"  # type: ignore[arg-type]


class _OnStop(Boolean):
    """ON, OFF, RUN or STOP."""

    def read(self, datum: Any) -> bool:
        """Whether to run."""
        if datum.kind == "word" and datum.text in ("RUN", "STOP"):
            return bool(datum.text == "RUN")
        return super().read(datum)


class Rtb2000(FamilyScope):
    """RTB2004: volts as floats; DCLimit is 1 megohm; 12 divisions."""

    idn = "Rohde&Schwarz,RTB2004,1333.1005k04/{serial},02.400"
    own_bits = 10
    noise_times = 2.0
    time_divisions = 12
    states: Mapping[str, str] = {"ARM": "RUN", "WAIT": "RUN", "STOP": "COMP", "AUTO": "RUN"}

    def _channels(self) -> list[Command]:
        head, form = "CHANnel<4>", "{:.3E}"
        for number in range(1, 5):
            self.default(f"on{number}", number == 1)
        couple = Choice({"DCLimit": ("DC", "DCL"), "ACLimit": ("AC", "ACL"), "GND": ("GND", "GND")})
        return [
            self.own(f"{head}:STATe", "on", Boolean(), False),
            self.own(f"{head}:COUPling", "coupling", couple, "DC"),
            self.bands(f"{head}:BANDwidth", Spelled({"B20": LIMITED_BANDWIDTH_HZ,
                                                     "FULL": FULL_BANDWIDTH_HZ})),
            self.own("PROBe<4>:SETup:ATTenuation:MANual", "probe",
                     Figure(0.001, 1e4, 1.0, form=form), 1.0),
            self.own(f"{head}:SCALe", "scale", self.volts_a_division(form), 1.0),
            self.setting(f"{head}:POSition", "shifted", Figure(-5.0, 5.0, 0.0, form=form), 0.0),
            self.own(f"{head}:OFFSet", "offset", Figure(-1000.0, 1000.0, 0.0, ("V",), form=form),
                     0.0),
        ]  # fmt: skip

    def _time(self) -> list[Command]:
        sizes = (10_000, 20_000, 50_000, 100_000, 200_000, 500_000, 1_000_000)
        return [
            self.own("TIMebase:SCALe", "timebase", self.time_base("{:.3E}"), 1e-3),
            self.own("TIMebase:POSition", "position", Figure(-25.0, 500.0, 0.0, form="{:.8E}"),
                     0.0),
            self.own("ACQuire:POINts[:VALue]", "points", Spelled({str(n): n for n in sizes}),
                     10_000),
            Command("ACQuire:SRATe", ask=lambda: nr3(self.plan().points / self.plan().range_s)),
            Command("ACQuire:STATe", ask=self.told_state),
            self._kind_of_record("PEAKdetect", "PEAK"),
            self._kind_of_record("HRESolution", "HRES"),
            Command("RUN", act=self.run_free),
            Command("STOP", act=self.halt),
            Command("SINGle", act=self.single),
        ]  # fmt: skip

    def _kind_of_record(self, word: str, kind: str) -> Command:
        """AUTO chooses it; OFF goes back to plain samples where it was chosen."""
        self.default("type", "NORM")

        def put(state: str) -> None:
            if state == "AUTO":
                self.settings["type"] = kind
            elif self.settings["type"] == kind:
                self.settings["type"] = "NORM"
            self.settings_changed()

        def ask() -> str:
            return "AUTO" if self.settings["type"] == kind else "OFF"

        return Command(f"ACQuire:{word}", put, ask, (Word("AUTO", "OFF"),))

    def _edge(self) -> list[Command]:
        self.default("trigger type", "EDGE")
        level = Figure(-1000.0, 1000.0, 0.0, ("V",), form="{:.3E}")
        either = slopes("POSitive", "NEGative", "EITHer")
        return [
            self.setting("TRIGger:A:TYPE", "mode word", Word("EDGE", "WIDTh"), "EDGE"),
            self.own("TRIGger:A:SOURce", "source", sources("CH{n}"), "CHAN1"),
            self.own("TRIGger:A:EDGE:SLOPe", "slope", either, "POS"),
            self.levels("TRIGger:A:LEVel<4>", level),
            self.setting("TRIGger:A:MODE", "sweep", Word("AUTO", "NORMal"), "AUTO"),
        ]  # fmt: skip

    def _wave(self) -> list[Command]:
        head = "CHANnel<4>:DATA"
        kinds = (Word("REAL", "ASCii", "UINT"), Integer(0, 32, 32))

        def form(word: str, bits: int = 0) -> None:
            self.settings["format"], self.settings["format bits"] = word, bits

        self.default("format", "ASC")
        self.default("format bits", 0)
        return [
            Command("FORMat[:DATA]", form,
                    lambda: f"{self.settings['format']},{self.settings['format bits']}", kinds,
                    optional=1),
            self.setting("FORMat:BORDer", "order", Word("MSBFirst", "LSBFirst"), "MSBF"),
            self.setting(f"{head}:POINts", "depth", Word("DEFault", "MAXimum", "DMAXimum"), "DEF"),
            Command(f"{head}:HEADer", ask=self.header),
            Command(head, ask=self.floats),
        ]  # fmt: skip

    def header(self, number: int) -> str:
        """First and last time, samples, values an interval."""
        record, codes, _ = self.codes_of(number)
        plan = record.plan
        last_s = -plan.before_s + (codes.size - 1) * plan.range_s / plan.points
        return f"{-plan.before_s:.8E},{last_s:.8E},{codes.size},1"

    def floats(self, number: int) -> bytes:
        """Volts at the probe's tip."""
        _, codes, setting = self.codes_of(number)
        order = "<f4" if self.settings["order"] == "LSBF" else ">f4"
        return block(true_volts(codes, setting).astype(order).tobytes())
