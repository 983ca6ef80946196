"""What all twins of scopes share, and the DS1000Z.

Sources: public drivers of the family, an owner's reports on its pieces and on its state after a
single. The whole screen is the converter's range.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim_instruments.families.family import Choice, Family, Figure
from sim_instruments.meter_front import next_up
from sim_instruments.scope import Scope
from sim_instruments.scope_front import (
    FULL_BANDWIDTH_HZ,
    LIMITED_BANDWIDTH_HZ,
    ChannelSetting,
    ChannelTruth,
    ProbeOnUnit,
)
from sim_instruments.scope_run import Plan
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.kinds import Boolean, Integer, Kind, Word
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.program import Datum
from sim_instruments.scpi.tree import Command

__all__ = [
    "Ds1000z",
    "FamilyScope",
    "NamedChannel",
    "Spelled",
    "block",
    "slopes",
    "sources",
    "true_volts",
]


class Spelled:
    """Words that the syntax takes for numbers too (`20M`, `10k`), and what each stands for."""

    def __init__(self, table: Mapping[str, Any]) -> None:
        self.table = table

    def special(self, datum: Datum) -> None:
        """Words have no limits to ask for."""

    def read(self, datum: Datum) -> Any:
        """The value behind the word; -141 for another."""
        for word, value in self.table.items():
            if datum.text.upper() == word.upper():
                return value
        raise ScpiError(-141)

    def write(self, value: object) -> str:
        """The first word for the value."""
        return next(word for word, known in self.table.items() if known == value)


def slopes(rising: str, falling: str, either: str) -> Choice:
    """The family's three words for a slope; their short forms come back."""
    short = ["".join(c for c in word if not c.islower()) for word in (rising, falling, either)]
    return Choice({rising: ("POS", short[0]), falling: ("NEG", short[1]),
                   either: ("EITH", short[2])})  # fmt: skip


def block(body: bytes, digits: int = 0, tail: bytes = b"") -> bytes:
    """A definite block, its length padded to so many digits."""
    size = str(len(body)).rjust(digits, "0")
    return f"#{len(size)}{size}".encode() + body + tail


def sources(written: str) -> Choice:
    """Channel words of a family, and the mains."""
    named = {written.format(n=n): (f"CHAN{n}", written.format(n=n)) for n in range(1, 5)}
    return Choice({**named, "LINE": ("LINE", "LINE")})


def true_volts(codes: NDArray[np.uint16], setting: ChannelSetting) -> NDArray[np.float64]:
    """Volts at the probe's tip that 16-bit codes over the screen stand for."""
    return (codes.astype(np.float64) - 32768.0) * (setting.full_v / 65536) + setting.offset_v


class FamilyScope(Family, Scope):
    """Words of a family on the settings of the simulated scope."""

    own_bits = 8
    noise_times = 4.0
    """Of the plain scope's noise: with 8 bits some three quarters of a step (common practice)."""
    states: Mapping[str, str] = {}

    def words(self) -> list[Command]:
        """Channels, time, trigger, data."""
        return [*self._channels(), *self._time(), *self._edge(), *self._wave()]

    @abstractmethod
    def _channels(self) -> list[Command]: ...

    @abstractmethod
    def _time(self) -> list[Command]: ...

    @abstractmethod
    def _edge(self) -> list[Command]: ...

    @abstractmethod
    def _wave(self) -> list[Command]: ...

    def _drawn(self, probe: ProbeOnUnit) -> ChannelTruth:
        return replace(super()._drawn(probe), noise=self.noise_times)

    def own(self, header: str, key: str, kind: Kind, default: Any) -> Command:
        """A setting after which an armed capture begins anew."""
        return self.setting(header, key, kind, default, self.settings_changed)

    def bands(self, header: str, kind: Kind) -> Command:
        """The bandwidth of each channel."""
        return self.own(header, "band", kind, FULL_BANDWIDTH_HZ)

    def turned(self, header: str, kind: Figure) -> Command:
        """An offset that is added to the signal: the middle of the screen lies at its negative."""

        def put(number: int, volts: float) -> None:
            self.settings[f"offset{number}"] = -volts
            self.settings_changed(number)

        def ask(number: int) -> str:
            return kind.write(-self.settings[f"offset{number}"])

        return Command(header, put, ask, (kind,))

    def levels(self, header: str, kind: Kind) -> Command:
        """A trigger level for each channel; the one of the source counts."""
        for number in range(1, 5):
            self.default(f"level of {number}", 0.0)
        self.default("level", 0.0)
        return self.own(header, "level of ", kind, 0.0)

    def plan(self) -> Plan:
        """With the source's own level and slope, where each channel has them."""
        number = self.settings["source"][-1]
        for key in ("level", "slope"):
            if f"{key} of {number}" in self.settings:
                self.settings[key] = self.settings[f"{key} of {number}"]
        return super().plan()

    def volts_a_division(self, form: str, most_v: float = 100.0) -> Figure:
        """Vertical scale: any value between the ends."""
        return Figure(5e-4, most_v, 1.0, ("V",), form=form)

    def time_base(self, form: str, steps: tuple[float, ...] = (1.0, 2.0, 5.0)) -> Figure:
        """Seconds a division, in steps."""
        snap = partial(next_up, [m * 10.0**e for e in range(-9, 3) for m in steps])
        return Figure(1e-9, 50.0, 1e-3, ("S",), lambda s: snap(s * (1 - 1e-9)), form=form)

    def told_state(self) -> str:
        """The state in the family's word."""
        found = self.state()
        return self.states.get(found, found)

    def codes_of(self, number: int) -> tuple[Any, NDArray[np.uint16], ChannelSetting]:
        """Shown record of a channel, its 16-bit codes and settings."""
        record, codes = self.record(number)
        return record, codes, record.plan.channels[number]


class NamedChannel(Word):
    """`CHANnel1` … behind a word of its own, in a measure's question."""

    def __init__(self, *others: str) -> None:
        super().__init__(*(f"CHANnel{n}" for n in range(1, 5)), *others)


class Ds1000z(FamilyScope):
    """DS1054Z: memory in steps that the channels share, changed only while running."""

    idn = "RIGOL TECHNOLOGIES,DS1054Z,DS1ZA{serial},00.04.04"
    time_divisions = 12
    gain_limit = 0.03
    states: Mapping[str, str] = {"ARM": "WAIT", "RUN": "TD"}
    depths = (12e3, 120e3, 1.2e6, 12e6)

    def _channels(self) -> list[Command]:
        head, form = "CHANnel<4>", "{:.6e}"
        for number in range(1, 5):
            self.default(f"on{number}", number == 1)
            self.default(f"offset{number}", 0.0)
        couple = Word("AC", "DC", "GND")
        steps = (0.01, 0.1, 1.0, 10.0, 100.0, 1000.0)
        factor = Figure(0.01, 1000.0, 1.0, (), lambda f: next_up(steps, f), form=form)
        return [
            self.own(f"{head}:DISPlay", "on", Boolean(), False),
            self.own(f"{head}:COUPling", "coupling", couple, "DC"),
            self.bands(f"{head}:BWLimit", Spelled({"20M": LIMITED_BANDWIDTH_HZ,
                                                   "OFF": FULL_BANDWIDTH_HZ})),
            self.own(f"{head}:PROBe", "probe", factor, 1.0),
            self.own(f"{head}:SCALe", "scale", self.volts_a_division(form), 1.0),
            self.turned(f"{head}:OFFSet", Figure(-1000.0, 1000.0, 0.0, ("V",), form=form)),
        ]  # fmt: skip

    def _time(self) -> list[Command]:
        form = "{:.6e}"
        self.default("points", 12e3)
        depth = Figure(0.0, 24e6, 12e3, form="{:.0f}")
        kinds = Word("NORMal", "AVERages", "PEAK", "HRESolution")
        counts = Integer(2, 1024, 2)
        return [
            self.own("TIMebase[:MAIN]:SCALe", "timebase", self.time_base(form), 1e-3),
            self.own("TIMebase[:MAIN]:OFFSet", "position",
                     Figure(-25.0, 500.0, 0.0, ("S",), form=form), 0.0),
            Command("ACQuire:MDEPth", self._deepen, lambda: depth.write(self.settings["points"]),
                    (depth,)),
            self.own("ACQuire:TYPE", "type", kinds, "NORM"),
            self.own("ACQuire:AVERages", "averages", counts, 2),
            Command("ACQuire:SRATe", ask=lambda: nr3(self.plan().points / self.plan().range_s)),
            Command("RUN", act=self.run_free),
            Command("STOP", act=self.halt),
            Command("SINGle", act=self.single),
            Command("TFORce", act=self.force),
        ]  # fmt: skip

    def _deepen(self, points: float) -> None:
        on = sum(bool(self.settings[f"on{n}"]) for n in range(1, 5))
        share = {0: 1, 1: 1, 2: 2}.get(on, 4)
        if self.mode != "run":
            return  # ignored while stopped
        if not any(abs(points - deep / share) < 0.5 for deep in self.depths):
            raise ScpiError(-222)
        self.settings["points"] = points
        self.settings_changed()

    def _edge(self) -> list[Command]:
        sources = Choice({**{f"CHANnel{n}": (f"CHAN{n}", f"CHAN{n}") for n in range(1, 5)},
                          "AC": ("LINE", "AC")})  # fmt: skip
        level = Figure(-1000.0, 1000.0, 0.0, ("V",), form="{:.6e}")
        self.default("trigger type", "EDGE")
        return [
            self.setting("TRIGger:MODE", "mode word", Word("EDGE", "PULSe"), "EDGE"),
            self.own("TRIGger:EDGe:SOURce", "source", sources, "CHAN1"),
            self.own("TRIGger:EDGe:SLOPe", "slope", slopes("POSitive", "NEGative", "RFALl"), "POS"),
            self.own("TRIGger:EDGe:LEVel", "level", level, 0.0),
            self.setting("TRIGger:SWEep", "sweep", Word("AUTO", "NORMal", "SINGle"), "AUTO"),
            Command("TRIGger:STATus", ask=self.told_state),
        ]

    def _wave(self) -> list[Command]:
        index = Integer(1, 24_000_000, 1)
        what = Choice({"VAVG": ("VAV", ""), "VPP": ("VPP", ""), "VRMS": ("VRMS", "")})

        def item(*told: Any) -> str:
            if len(told) != 2:
                raise ScpiError(-109)
            return self.figure(told[0], int(told[1][-1]))

        return [
            self.setting("WAVeform:SOURce", "waveform", NamedChannel(), "CHAN1"),
            self.setting("WAVeform:MODE", "wave mode", Word("NORMal", "MAXimum", "RAW"), "NORM"),
            self.setting("WAVeform:FORMat", "format", Word("BYTE", "WORD", "ASCii"), "BYTE"),
            self.setting("WAVeform:STARt", "first", index, 1),
            self.setting("WAVeform:STOP", "last", index, 1200),
            Command("WAVeform:PREamble", ask=self.preamble),
            Command("WAVeform:DATA", ask=self.data),
            Command("MEASure:ITEM", ask=item, asks=(what, NamedChannel())),
        ]

    def _raw(self) -> tuple[Any, NDArray[np.uint16], ChannelSetting]:
        """The record in memory; in another mode the screen, 1200 points."""
        if self.settings["wave mode"] == "RAW" and self.mode == "run":
            raise ScpiError(-221)
        record, codes, setting = self.codes_of(int(self.settings["waveform"][-1]))
        if self.settings["wave mode"] != "RAW":
            codes = codes[:: max(1, codes.size // 1200)][:1200]
        return record, codes, setting

    def preamble(self) -> str:
        """Ten fields; v = (raw - yor - yref) yinc."""
        record, codes, setting = self._raw()
        step_v, plan = setting.full_v / 256, record.plan
        fields = ["0", "2", str(codes.size), str(record.finished),
                  f"{plan.range_s / codes.size:.6e}", f"{-plan.before_s:.6e}", "0",
                  f"{step_v:.6e}", f"{-setting.offset_v / step_v:.6g}", "128"]  # fmt: skip
        return ",".join(fields)

    def data(self) -> bytes:
        """Bytes from START to STOP, both counted from 1, at most 250 000."""
        _, codes, _ = self._raw()
        first, last = self.settings["first"], self.settings["last"]
        if last - first >= 250_000:
            raise ScpiError(-222)
        return block((codes[first - 1 : last] >> 8).astype(np.uint8).tobytes(), 9)
