"""Command words of the scope."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim_instruments.meter_front import next_up
from sim_instruments.scope_front import DIVISIONS, FULL_BANDWIDTH_HZ, LIMITED_BANDWIDTH_HZ
from sim_instruments.scpi.kinds import Boolean, Integer, Number, Word
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.program import Datum
from sim_instruments.scpi.tree import Command

if TYPE_CHECKING:
    from sim_instruments.scope import Scope

__all__ = ["scope_commands"]

_MOST_POINTS = 10_000_000
_MEASURES = {
    "VPP": "VPP", "VMAX": "VMAX", "VMIN": "VMIN", "VAVerage": "VAV", "VRMS": "VRMS",
    "VACRms": "VACR", "FREQuency": "FREQ",
}  # fmt: skip


class ChannelWord(Word):
    """`CHANnel1` to `CHANnel4`, and other sources."""

    def __init__(self, *others: str) -> None:
        super().__init__(*(f"CHANnel{n}" for n in (1, 2, 3, 4)), *others)


def scope_commands(scope: Scope) -> list[Command]:
    """Build all of them."""
    return [*_channels(scope), *_time(scope), *_trigger(scope), *_waveform(scope)]


def _channels(scope: Scope) -> list[Command]:
    changed, settings = scope.settings_changed, scope.settings

    def state(number: int, on: bool) -> None:
        settings[f"on{number}"] = on
        changed(number)

    def set_range(number: int, full_v: float) -> None:
        settings[f"scale{number}"] = full_v / DIVISIONS
        changed(number)

    for number in (1, 2, 3, 4):
        scope.default(f"on{number}", number == 1)
    scale = Number(0.5e-3, 1000.0, 1.0, ("V",))
    full = Number(4e-3, 8000.0, 8.0, ("V",))
    bands = Number(
        LIMITED_BANDWIDTH_HZ, FULL_BANDWIDTH_HZ, FULL_BANDWIDTH_HZ, ("HZ",),
        lambda f: LIMITED_BANDWIDTH_HZ if f <= 20.5e6 else FULL_BANDWIDTH_HZ,
    )  # fmt: skip
    factor = Number(1.0, 1000.0, 1.0, (), lambda f: next_up((1.0, 10.0, 100.0, 1000.0), f))
    head = "CHANnel<4>"
    return [
        Command(
            f"{head}:STATe", state, lambda n: str(int(settings[f"on{n}"])), (Boolean(),)
        ),
        scope.setting(f"{head}:COUPling", "coupling", Word("AC", "DC", "GND"), "DC", changed),
        scope.setting(f"{head}:BANDwidth", "band", bands, FULL_BANDWIDTH_HZ, changed),
        scope.setting(f"{head}:PROBe", "probe", factor, 1.0, changed),
        scope.setting(f"{head}:SCALe", "scale", scale, 1.0, changed),
        Command(
            f"{head}:RANGe", set_range, lambda n: nr3(settings[f"scale{n}"] * DIVISIONS), (full,),
            limits_of=full,
        ),
        scope.setting(
            f"{head}:OFFSet", "offset", Number(-1000.0, 1000.0, 0.0, ("V",)), 0.0, changed
        ),
    ]  # fmt: skip


def _time(scope: Scope) -> list[Command]:
    changed, settings = scope.settings_changed, scope.settings

    def set_range(range_s: float) -> None:
        settings["timebase"] = range_s / 10
        changed()

    def rate() -> str:
        plan = scope.plan()
        return nr3(plan.points / plan.range_s)

    full = Number(1e-8, 50.0, 0.01, ("S",))
    return [
        scope.setting("TIMebase:SCALe", "timebase", Number(1e-9, 5.0, 1e-3, ("S",)), 1e-3, changed),
        Command(
            "TIMebase:RANGe", set_range, lambda: nr3(settings["timebase"] * 10), (full,),
            limits_of=full,
        ),
        scope.setting(
            "TIMebase:POSition", "position", Number(-25.0, 500.0, 0.0, ("S",)), 0.0, changed
        ),
        scope.setting(
            "ACQuire:POINts", "points", Integer(1000, _MOST_POINTS, 10000), 10000, changed
        ),
        scope.setting(
            "ACQuire:TYPE", "type", Word("NORMal", "PEAK", "HRESolution", "AVERage"), "NORM",
            changed,
        ),
        scope.setting("ACQuire:COUNt", "averages", Integer(2, 1024, 8), 8, changed),
        Command("ACQuire:SRATe", ask=rate),
        Command("ACQuire:NUMBer", ask=scope.capture_count),
    ]  # fmt: skip


def _trigger(scope: Scope) -> list[Command]:
    changed = scope.settings_changed
    level = Number(-1000.0, 1000.0, 0.0, ("V",))
    return [
        scope.setting(
            "TRIGger:SOURce", "source", ChannelWord("LINE", "EXTernal"), "CHAN1", changed
        ),
        scope.setting("TRIGger:TYPE", "trigger type", Word("EDGE", "WINDow"), "EDGE", changed),
        scope.setting(
            "TRIGger:SLOPe", "slope", Word("POSitive", "NEGative", "EITHer"), "POS", changed
        ),
        scope.setting("TRIGger:LEVel", "level", level, 0.0, changed),
        scope.setting("TRIGger:LEVel:LOW", "level low", level, -1.0, changed),
        scope.setting("TRIGger:LEVel:HIGH", "level high", level, 1.0, changed),
        scope.setting("TRIGger:MODE", "sweep", Word("AUTO", "NORMal"), "AUTO", changed),
        Command("TRIGger:FORCe", act=scope.force),
        Command("TRIGger:STATe", ask=scope.state),
        Command("SINGle", act=scope.single),
        Command("RUN", act=scope.run_free),
        Command("STOP", act=scope.halt),
    ]


class _Channel:
    """An optional channel name after a measure's query."""

    def __init__(self) -> None:
        self._word = ChannelWord()

    def read(self, datum: Datum) -> int:
        """Number of the channel."""
        return int(self._word.read(datum)[-1])

    def write(self, value: object) -> str:
        """Write it as a word."""
        return f"CHAN{value}"

    def special(self, datum: Datum) -> None:
        """Nothing stands for it."""


def _waveform(scope: Scope) -> list[Command]:
    index = Integer(1, _MOST_POINTS, 1)
    commands = [
        scope.setting("WAVeform:SOURce", "waveform", ChannelWord(), "CHAN1"),
        scope.setting("WAVeform:FORMat", "format", Word("BYTE", "WORD", "ASCii"), "BYTE"),
        scope.setting("WAVeform:BORDer", "order", Word("NORMal", "SWAPped"), "NORM"),
        scope.setting("WAVeform:STARt", "first", index, 1),
        scope.setting("WAVeform:STOP", "last", index, _MOST_POINTS),
        Command("WAVeform:POINts", ask=scope.points),
        Command("WAVeform:PREamble", ask=scope.preamble),
        Command("WAVeform:DATA", ask=scope.data),
    ]
    for word, what in _MEASURES.items():

        def figure(number: int = 1, what: str = what) -> str:
            return scope.figure(what, number)

        commands.append(Command(f"MEASure:{word}", ask=figure, asks=(_Channel(),)))
    return commands
