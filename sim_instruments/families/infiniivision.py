"""An InfiniiVision: running is a bit, the number of points is chosen with the data.

Source: public drivers of the family.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from sim_instruments.families.family import Figure
from sim_instruments.families.scopes import FamilyScope, NamedChannel, Spelled, block, slopes
from sim_instruments.scope_front import FULL_BANDWIDTH_HZ, LIMITED_BANDWIDTH_HZ
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.kinds import Boolean, Integer, Kind, Number, Word
from sim_instruments.scpi.tree import Command

__all__ = ["InfiniiVision"]


def _measured(own: FamilyScope, header: str, what: str, *before: Kind) -> Command:
    """A built-in measure whose last argument names the channel."""

    def ask(*told: Any) -> str:
        if len(told) != len(before) + 1:
            raise ScpiError(-109)
        return own.figure(what, int(told[-1][-1]))

    return Command(header, ask=ask, asks=(*before, NamedChannel()))


class InfiniiVision(FamilyScope):
    """DSO-X 2022A: running is a bit; the number of points is chosen with the data."""

    idn = "KEYSIGHT TECHNOLOGIES,DSO-X 2022A,MY{serial},02.50"
    sign = "+"
    gain_limit = 0.03

    def _channels(self) -> list[Command]:
        head, form = "CHANnel<4>", "{:+.5E}"
        for number in range(1, 5):
            self.default(f"on{number}", number == 1)
        full = Figure(8e-3, 8000.0, 8.0, ("V",), form=form)

        def set_range(number: int, full_v: float) -> None:
            self.settings[f"scale{number}"] = full_v / 8
            self.settings_changed(number)

        return [
            self.own(f"{head}:DISPlay", "on", Boolean(), False),
            self.own(f"{head}:COUPling", "coupling", Word("AC", "DC"), "DC"),
            self.bands(f"{head}:BWLimit", Spelled({"1": LIMITED_BANDWIDTH_HZ,
                                                   "0": FULL_BANDWIDTH_HZ})),
            self.own(f"{head}:PROBe", "probe", Figure(0.1, 1e4, 1.0, (), form=form), 1.0),
            self.own(f"{head}:SCALe", "scale", self.volts_a_division(form, 1000.0), 1.0),
            Command(f"{head}:RANGe", set_range,
                    lambda n: full.write(self.settings[f"scale{n}"] * 8), (full,)),
            self.own(f"{head}:OFFSet", "offset", Figure(-1000.0, 1000.0, 0.0, ("V",), form=form),
                     0.0),
        ]  # fmt: skip

    def _time(self) -> list[Command]:
        form = "{:+.6E}"
        full = Figure(2e-8, 500.0, 1e-2, ("S",), form=form)

        def set_range(range_s: float) -> None:
            self.settings["timebase"] = range_s / 10
            self.settings_changed()

        self.default("timebase", 1e-3)
        kinds = Word("NORMal", "AVERage", "HRESolution", "PEAK")
        places = Word("LEFT", "CENTer", "RIGHt")
        return [
            Command("TIMebase:RANGe", set_range,
                    lambda: full.write(self.settings["timebase"] * 10), (full,)),
            self.own("TIMebase:POSition", "position", Figure(-25.0, 500.0, 0.0, ("S",), form=form),
                     0.0),
            self.setting("TIMebase:REFerence", "reference", places, "CENT"),
            self.own("ACQuire:TYPE", "type", kinds, "NORM"),
            self.own("ACQuire:COUNt", "averages", Integer(2, 65536, 8), 8),
            Command("OPERegister:CONDition", ask=lambda: f"{8 if self._busy() else 0:+d}"),
            Command("RUN", act=self.run_free),
            Command("STOP", act=self.halt),
            Command("SINGle", act=self.single),
        ]  # fmt: skip

    def _busy(self) -> bool:
        return self.state() != "STOP"

    def _edge(self) -> list[Command]:
        level = Figure(-1000.0, 1000.0, 0.0, ("V",), form="{:+.5E}")
        either = slopes("POSitive", "NEGative", "EITHer")
        self.default("trigger type", "EDGE")
        return [
            self.setting("TRIGger:MODE", "mode word", Word("EDGE", "GLITch"), "EDGE"),
            self.own("TRIGger[:EDGE]:SOURce", "source", NamedChannel("LINE", "EXTernal"), "CHAN1"),
            self.own("TRIGger[:EDGE]:SLOPe", "slope", either, "POS"),
            self.own("TRIGger[:EDGE]:LEVel", "level", level, 0.0),
            self.setting("TRIGger:SWEep", "sweep", Word("AUTO", "NORMal"), "AUTO"),
            Command("TRIGger:FORCe", act=self.force),
        ]

    def _wave(self) -> list[Command]:
        self.default("points", 10_000)
        count = Number(100, 1_000_000, 1000, (), lambda n: float(int(n)))
        modes = Word("NORMal", "MAXimum", "RAW")
        return [
            self.setting("WAVeform:SOURce", "waveform", NamedChannel(), "CHAN1"),
            self.setting("WAVeform:FORMat", "format", Word("BYTE", "WORD", "ASCii"), "BYTE"),
            self.setting("WAVeform:BYTeorder", "order", Word("LSBFirst", "MSBFirst"), "MSBF"),
            self.setting("WAVeform:UNSigned", "unsigned", Boolean(), True),
            self.setting("WAVeform:POINts:MODE", "wave mode", modes, "NORM"),
            Command("WAVeform:POINts", self._choose_points, lambda: f"{self._size():+d}", (count,)),
            Command("WAVeform:PREamble", ask=self.preamble),
            Command("WAVeform:DATA", ask=self.data),
            _measured(self, "MEASure:VAVerage", "VAV", Word("DISPlay", "CYCLe")),
            _measured(self, "MEASure:VPP", "VPP"),
        ]

    def _choose_points(self, points: float) -> None:
        self.settings["points"] = points
        self.settings_changed()

    def _size(self) -> int:
        return int(self.codes_of(int(self.settings["waveform"][-1]))[1].size)

    def preamble(self) -> str:
        """Ten fields; v = (raw - yref) yinc + yor."""
        record, codes, setting = self.codes_of(int(self.settings["waveform"][-1]))
        plan, wide = record.plan, self.settings["format"] == "WORD"
        levels = 65536 if wide else 256
        fields = ["+1" if wide else "+0", "+0", f"{codes.size:+d}", f"{record.finished:+d}",
                  f"{plan.range_s / plan.points:+.8E}", f"{-plan.before_s:+.8E}", "+0",
                  f"{setting.full_v / levels:+.8E}", f"{setting.offset_v:+.8E}",
                  f"{levels // 2:+d}"]  # fmt: skip
        return ",".join(fields)

    def data(self) -> bytes:
        """All samples, as wide and in the order that was asked for; 8 bits in the upper byte."""
        _, codes, _ = self.codes_of(int(self.settings["waveform"][-1]))
        if self.settings["format"] == "BYTE":
            return block((codes >> 8).astype(np.uint8).tobytes(), 8)
        low_first = self.settings["order"] == "LSBF"
        signed: Callable[[Any], Any] = (
            (lambda c: c) if self.settings["unsigned"] else (lambda c: c ^ 0x8000)
        )
        return block(signed(codes).astype("<u2" if low_first else ">u2").tobytes(), 8)
