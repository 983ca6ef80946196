"""The older and the newer Siglent scopes: units in replies, a binary description of the record.

Sources: public drivers of both. From memory: FRTR.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim_instruments.families.family import Choice, Figure, Switch
from sim_instruments.families.scopes import (
    FamilyScope,
    Spelled,
    block,
    slopes,
    sources,
    true_volts,
)
from sim_instruments.scope_front import FULL_BANDWIDTH_HZ, LIMITED_BANDWIDTH_HZ
from sim_instruments.scpi.kinds import Boolean, Integer, Kind, Word
from sim_instruments.scpi.tree import Command

__all__ = ["Sds1000xe", "SdsHd"]


def _short(values: NDArray[np.float64], low: int, high: int, kind: str) -> bytes:
    return np.clip(np.rint(values), low, high).astype(kind).tobytes()


class Sds1000xe(FamilyScope):
    """SDS1202X-E: replies carry units, and the keyword until CHDR OFF; 14 divisions; silent."""

    idn = "Siglent Technologies,SDS1202X-E,SDS1EC{serial},1.3.26"
    lacks = ("SYSTem", "STATus", "*ES", "*ST", "*SRE")
    time_divisions = 14
    gain_limit = 0.03
    states: Mapping[str, str] = {"ARM": "Arm", "WAIT": "Ready", "RUN": "Trig'd", "STOP": "Stop",
                                 "AUTO": "Auto"}  # fmt: skip

    def shared_commands(self) -> Iterable[Command]:
        """No error queue."""
        return [one for one in super().shared_commands() if "SYST" not in one.header]

    def words(self) -> list[Command]:
        """Two channels, time, trigger, data."""
        self.default("headers", True)
        return super().words()

    def _told(self, header: str, word: str, ask: Any) -> Command:
        """A question whose answer begins with the keyword while headers are on."""

        def answer(*numbers: int) -> str:
            said = str(ask(*numbers))
            where = f"C{numbers[0]}:" if numbers else ""
            return f"{where}{word} {said}" if self.settings["headers"] else said

        return Command(header, ask=answer)

    def _own(self, header: str, key: str, kind: Kind, default: Any, word: str) -> list[Command]:
        made = self.own(header, key, kind, default)
        return [Command(header, made.act, takes=made.takes), self._told(header, word, made.ask)]

    def _channels(self) -> list[Command]:
        unit = "{:.2E}V"
        for number in range(1, 5):
            self.default(f"on{number}", number == 1)
            self.default(f"offset{number}", 0.0)
            self.default(f"band{number}", FULL_BANDWIDTH_HZ)
        turned = self.turned("C<2>:OFFSET", Figure(-1000.0, 1000.0, 0.0, ("V",), form=unit))
        couple = Choice({"D1M": ("DC", "D1M"), "A1M": ("AC", "A1M"), "GND": ("GND", "GND")})

        def limit(place: str, on: bool) -> None:
            self.settings[f"band{place[1]}"] = LIMITED_BANDWIDTH_HZ if on else FULL_BANDWIDTH_HZ
            self.settings_changed()

        def limited(number: int) -> str:
            return Switch().write(self.settings[f"band{number}"] < FULL_BANDWIDTH_HZ)

        return [
            Command("CHDR", lambda word: self.settings.update(headers=word != "OFF"),
                    takes=(Word("OFF", "SHORT", "LONG"),)),
            *self._own("C<2>:TRA", "on", Switch(), False, "TRA"),
            *self._own("C<2>:CPL", "coupling", couple, "DC", "CPL"),
            Command("BWL", limit, takes=(Word("C1", "C2"), Boolean())),
            self._told("C<2>:BWL", "BWL", limited),
            *self._own("C<2>:ATTN", "probe", Figure(0.1, 1e4, 1.0, form="{:g}"), 1.0, "ATTN"),
            *self._own("C<2>:VDIV", "scale", self.volts_a_division(unit), 1.0, "VDIV"),
            Command("C<2>:OFST", turned.act, takes=turned.takes),
            self._told("C<2>:OFST", "OFST", turned.ask),
        ]  # fmt: skip

    def _time(self) -> list[Command]:
        depths = {"7K": 7000, "70K": 70_000, "700K": 700_000, "7M": 7_000_000}
        kinds = {"NORM": "SAMPLING", "PEAK": "PEAK_DETECT", "HRES": "HIGH_RES"}

        def acquire(word: str, count: int = 16) -> None:
            self.settings["type"] = {v: k for k, v in kinds.items()}.get(word, "AVER")
            self.settings["averages"] = count
            self.settings_changed()

        def acquires() -> str:
            kind = self.settings["type"]
            return kinds.get(kind, f"AVERAGE,{self.settings['averages']}")

        def deepen(points: int) -> None:
            if self.mode == "run":  # the depth changes only while running
                self.settings["points"] = points

        self.default("points", 7000)
        self.default("type", "NORM")
        words = Word("SAMPLING", "PEAK_DETECT", "HIGH_RES", "AVERAGE")
        depth = Spelled(depths)
        return [
            *self._own("TDIV", "timebase", self.time_base("{:.2E}S"), 1e-3, "TDIV"),
            *self._own("TRDL", "position", Figure(-25.0, 500.0, 0.0, ("S",), form="{:.2E}S"), 0.0,
                       "TRDL"),
            Command("MSIZ", deepen, takes=(depth,)),
            self._told("MSIZ", "MSIZ", lambda: depth.write(self.settings["points"])),
            Command("ACQW", acquire, takes=(words, Integer(4, 1024, 16)), optional=1),
            self._told("ACQW", "ACQW", acquires),
            self._told("SARA", "SARA", lambda: f"{self._rate() / 1e6:.6g}MSa/s"),
            self._told("SANU", "SANU", lambda: f"{self.plan().points / 1e3:g}kpts"),
        ]  # fmt: skip

    def _rate(self) -> float:
        plan = self.plan()
        return plan.points / plan.range_s

    def _edge(self) -> list[Command]:
        self.default("source", "CHAN1")
        self.default("trigger type", "EDGE")
        self.default("sweep", "AUTO")
        names = {"C1": "CHAN1", "C2": "CHAN2", "LINE": "LINE", "EX": "EXT"}
        back = {known: word for word, known in names.items()}

        def select(_edge: str, _sr: str, source: str, _ht: str, _off: str) -> None:
            self.settings["source"] = names[source]
            self.settings_changed()

        def mode(word: str) -> None:
            self.settings["sweep"] = "AUTO" if word == "AUTO" else "NORM"
            if word == "STOP":
                self.halt()
            elif word == "SINGLE":
                self.settings["armed by"] = "SINGLE"
            else:
                self.run_free()

        one = (Word("EDGE"), Word("SR"), Word(*names), Word("HT"), Word("OFF"))
        slope = slopes("POS", "NEG", "WINDOW")
        level = Figure(-1000.0, 1000.0, 0.0, ("V",), form="{:.2E}V")

        self.default("slope", "POS")
        self.default("slope of 1", "POS")
        self.default("slope of 2", "POS")
        trigger = self.levels("C<2>:TRLV", level)
        leaning = self.own("C<2>:TRSL", "slope of ", slope, "POS")
        return [
            Command("TRSE", select, takes=one),
            self._told("TRSE", "TRSE", lambda: f"EDGE,SR,{back[self.settings['source']]},HT,OFF"),
            Command("C<2>:TRSL", leaning.act, takes=(slope,)),
            self._told("C<2>:TRSL", "TRSL", leaning.ask),
            Command("C<2>:TRLV", trigger.act, takes=(level,)),
            self._told("C<2>:TRLV", "TRLV", trigger.ask),
            Command("TRMD", mode, takes=(Word("AUTO", "NORM", "SINGLE", "STOP"),)),
            Command("ARM", act=self.single),
            Command("STOP", act=self.halt),
            Command("FRTR", act=self.force),
            self._told("SAST", "SAST", self.told_state),
        ]

    def _wave(self) -> list[Command]:
        def data(number: int, _what: str = "") -> bytes:
            _, codes, setting = self.codes_of(number)
            raw = (true_volts(codes, setting) - setting.offset_v) * 25.0 / setting.scale_v
            head = b"DAT2,"
            if self.settings["headers"]:
                head = f"C{number}:WF DAT2,".encode()
            return head + block(_short(raw, -128, 127, "i1"), 9, b"\n")

        return [Command("C<2>:WF", ask=data, asks=(Word("DAT2"),))]


class SdsHd(FamilyScope):
    """SDS814X HD: 12 bits in words, scaled by a binary description of 346 bytes."""

    idn = "Siglent Technologies,SDS814X HD,SDS08A{serial},1.1.3.3"
    own_bits = 12
    noise_times = 1.0
    codes_a_division = 7680.0
    states: Mapping[str, str] = {"ARM": "Arm", "WAIT": "Ready", "RUN": "Trig'd", "STOP": "Stop",
                                 "AUTO": "Auto"}  # fmt: skip

    def _channels(self) -> list[Command]:
        head, form = "CHANnel<4>", "{:.2E}"
        for number in range(1, 5):
            self.default(f"on{number}", number == 1)
            self.default(f"offset{number}", 0.0)

        def probe(number: int, _word: str, factor: float) -> None:
            self.settings[f"probe{number}"] = factor
            self.settings_changed(number)

        return [
            self.own(f"{head}:SWITch", "on", Switch(), False),
            self.own(f"{head}:COUPling", "coupling", Word("AC", "DC", "GND"), "DC"),
            self.bands(f"{head}:BWLimit", Spelled({"20M": LIMITED_BANDWIDTH_HZ,
                                                   "FULL": FULL_BANDWIDTH_HZ})),
            Command(f"{head}:PROBe", probe, lambda n: form.format(self.settings[f"probe{n}"]),
                    (Word("VALue"), Figure(1e-6, 1e6, 1.0))),
            self.own(f"{head}:SCALe", "scale", self.volts_a_division(form), 1.0),
            self.turned(f"{head}:OFFSet", Figure(-1000.0, 1000.0, 0.0, ("V",), form=form)),
        ]  # fmt: skip

    def _time(self) -> list[Command]:
        depths = {"10k": 10_000, "100k": 100_000, "1M": 1_000_000, "10M": 10_000_000}
        kinds = {"NORM": "NORMal", "PEAK": "PEAK"}
        for number in range(1, 5):
            self.default(f"probe{number}", 1.0)
        self.default("type", "NORM")

        def acquire(word: str, count: int = 16) -> None:
            self.settings["type"] = {"AVER": "AVER", "ERES": "HRES"}.get(word, word)
            if word == "AVER":
                self.settings["averages"] = count
            self.settings_changed()

        def acquires() -> str:
            kind = self.settings["type"]
            if kind == "AVER":
                return f"AVERage,{self.settings['averages']}"
            return kinds.get(kind, "ERES,1.0")

        types = Word("NORMal", "PEAK", "AVERage", "ERES")
        return [
            self.own("TIMebase:SCALe", "timebase", self.time_base("{:.2E}"), 1e-3),
            self.own("TIMebase:DELay", "position", Figure(-25.0, 500.0, 0.0, form="{:.2E}"), 0.0),
            self.own("ACQuire:MDEPth", "points", Spelled(depths), 10_000),
            Command("ACQuire:POINts", ask=lambda: f"{self.plan().points:.2E}"),
            Command("ACQuire:TYPE", acquire, acquires, (types, Integer(1, 1024, 16)), optional=1),
        ]

    def _edge(self) -> list[Command]:
        self.default("trigger type", "EDGE")
        self.default("sweep", "AUTO")
        level = Figure(-1000.0, 1000.0, 0.0, ("V",), form="{:.2E}")

        def mode(word: str) -> None:
            if word == "SING":
                self.single()
            else:
                self.settings["sweep"] = word
                self.run_free()

        leaning = Choice({"RISing": ("POS", "RISing"), "FALLing": ("NEG", "FALLing"),
                          "ALTernate": ("EITH", "ALTernate")})  # fmt: skip
        return [
            self.setting("TRIGger:TYPE", "mode word", Word("EDGE", "PULSE"), "EDGE"),
            self.own("TRIGger:EDGE:SOURce", "source", sources("C{n}"), "CHAN1"),
            self.own("TRIGger:EDGE:SLOPe", "slope", leaning, "POS"),
            self.own("TRIGger:EDGE:LEVel", "level", level, 0.0),
            Command("TRIGger:MODE", mode, takes=(Word("AUTO", "NORMal", "SINGle"),)),
            Command("TRIGger:RUN", act=self.run_free),
            Command("TRIGger:STOP", act=self.halt),
            Command("TRIGger:FORCe", act=self.force),
            Command("TRIGger:STATus", ask=self.told_state),
        ]

    def _wave(self) -> list[Command]:
        return [
            self.setting("WAVeform:SOURce", "waveform", sources("C{n}"), "CHAN1"),
            self.setting("WAVeform:WIDTh", "width", Word("BYTE", "WORD"), "BYTE"),
            Command("WAVeform:PREamble", ask=self.description),
            Command("WAVeform:DATA", ask=self.data),
        ]

    def description(self) -> bytes:
        """Little-endian fields at their places; volts at the scope's input, before the probe."""
        record, _, setting = self.codes_of(int(self.settings["waveform"][-1]))
        plan = record.plan
        body = bytearray(346)
        at_input = setting.scale_v / setting.probe
        struct.pack_into("<f", body, 0x9C, at_input)
        struct.pack_into("<f", body, 0xA0, -setting.offset_v / setting.probe)
        struct.pack_into("<f", body, 0xA4, self.codes_a_division)
        struct.pack_into("<h", body, 0xAC, self.own_bits)
        struct.pack_into("<f", body, 0xB0, plan.range_s / plan.points)
        struct.pack_into("<d", body, 0xB4, plan.position_s)
        struct.pack_into("<f", body, 0x148, setting.probe)
        return block(bytes(body), 9, b"\n")

    def data(self) -> bytes:
        """Signed words, low byte first; or signed bytes."""
        _, codes, setting = self.codes_of(int(self.settings["waveform"][-1]))
        divisions = (true_volts(codes, setting) - setting.offset_v) / setting.scale_v
        raw = divisions * self.codes_a_division
        if self.settings["width"] == "BYTE":
            return block(_short(raw / 256, -128, 127, "i1"), 9, b"\n")
        return block(_short(raw, -32768, 32767, "<i2"), 9, b"\n")
