"""A 6½-digit bench meter: dc and ac volts, ohms.

Integrates the unit's voltage exactly over the aperture, so that mains ripple averages out over
whole cycles only; keeps reading while the program does other things.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sim_instruments.accuracy import stream
from sim_instruments.bench_clock import BenchTime
from sim_instruments.meter_front import (
    BENCH_METER,
    MeterTruth,
    draw_truth,
    next_up,
    nplc_for_resolution,
)
from sim_instruments.meter_run import MeterRun
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Identity, Later, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Integer, Number, Text, Word
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.tree import Command
from sim_instruments.site import Leads, Site

__all__ = ["Meter"]

_FUNCTIONS = {
    name: function
    for names, function in (
        (("VOLT", "VOLT:DC", "VOLTAGE", "VOLTAGE:DC"), "VOLT"),
        (("VOLT:AC", "VOLTAGE:AC"), "VOLT:AC"),
        (("RES", "RESISTANCE"), "RES"),
    )
    for name in names
}
_UNITS = {"VOLT": ("V",), "VOLT:AC": ("V",), "RES": ("OHM",)}
_HEADERS = {
    "VOLT": "[SENSe]:VOLTage[:DC]",
    "VOLT:AC": "[SENSe]:VOLTage:AC",
    "RES": "[SENSe]:RESistance",
}

_LEAST = 1e-9  # any wish above nothing is taken up to the lowest range


class Meter(ScpiInstrument):
    """The bench meter. `truth` holds its real errors, `leads` where its leads are."""

    front_end = BENCH_METER

    def __init__(
        self,
        identity: Identity,
        clock: BenchTime,
        site: Site,
        leads: Leads,
        *,
        name: str = "meter",
        seed: int = 1,
        line_hz: float = 50.0,
    ) -> None:
        self.site, self.leads, self.name, self.line_hz = site, leads, name, line_hz
        self.alarms = clock.alarms
        self.random = stream(seed, name)
        self.truth: MeterTruth = draw_truth(self.random, self.front_end)
        self.run: MeterRun | None = None
        self.overload: dict[str, bool] = {}
        self._across: tuple[str, str, float] | None = None
        super().__init__(identity, clock)
        self.load_terminals()

    # --- words

    def commands(self) -> Iterable[Command]:
        """Words of the meter."""
        return [
            *self._configuring(),
            *(command for function in _HEADERS for command in self._ranging(function)),
            *self._triggering(),
        ]

    def _configuring(self) -> list[Command]:
        words = {"VOLT": "[:VOLTage][:DC]", "VOLT:AC": ":VOLTage:AC", "RES": ":RESistance"}
        commands = [
            Command("CONFigure", ask=self._configuration),
            self.setting(
                "[SENSe]:FUNCtion[:ON]", "function", Text(_FUNCTIONS), "VOLT", self.changed
            ),
            self.setting("INPut:IMPedance:AUTO", "high_z", Boolean(), False, self.changed),
            Command("SYSTem:LFRequency", ask=lambda: f"{self.line_hz:.0f}"),
        ]
        for function, word in words.items():
            kinds = (self._range_kind(function), self._resolution_kind(function))

            def configure(*values: float, function: str = function) -> None:
                self._configure(function, *values)

            def measure(*values: float, function: str = function) -> Later:
                self._configure(function, *values)
                return self._read()

            commands.append(Command(f"CONFigure{word}", act=configure, takes=kinds, optional=2))
            commands.append(Command(f"MEASure{word}", ask=measure, asks=kinds))
        return commands

    def _range_kind(self, function: str) -> Number:
        ranges = self.front_end.ranges(function)
        return Number(
            _LEAST, ranges[-1], 0.0, _UNITS[function], lambda v: next_up(ranges, v) if v else 0.0
        )

    def _resolution_kind(self, function: str) -> Number:
        return Number(0.0, self.front_end.ranges(function)[-1], 0.0, _UNITS[function])

    def _ranging(self, function: str) -> list[Command]:
        head, ranges = _HEADERS[function], self.front_end.ranges(function)
        nplcs = self.front_end.nplcs
        kind = Number(_LEAST, ranges[-1], ranges[2], _UNITS[function], lambda v: next_up(ranges, v))

        def fixed() -> None:
            self.settings[f"auto {function}"] = "0"
            self.changed()

        commands = [
            self.setting(f"{head}:RANGe[:UPPer]", f"range {function}", kind, ranges[2], fixed),
            self._auto(f"{head}:RANGe:AUTO", f"auto {function}", "1"),
        ]
        if function == "VOLT:AC":
            slow = Number(
                3.0, 300e3, 20.0, ("HZ",), lambda f: 3.0 if f < 20 else 20.0 if f < 200 else 200.0
            )
            return [*commands, self.setting(f"{head}:BANDwidth", "band", slow, 20.0, self.changed)]
        nplc = Number(nplcs[0], nplcs[-1], 10.0, (), lambda n: next_up(nplcs, n))
        commands.append(
            self.setting(f"{head}:NPLCycles", f"nplc {function}", nplc, 10.0, self.changed)
        )
        commands.append(self._resolution(head, function))
        if function == "VOLT":
            commands.append(self._auto("[SENSe]:VOLTage[:DC]:ZERO:AUTO", "zero", "1"))
            commands.append(self._auto("[SENSe]:ZERO:AUTO", "zero", "1"))
        return commands

    def _resolution(self, head: str, function: str) -> Command:
        def act(resolution: float) -> None:
            full = self.settings[f"range {function}"]
            self.settings[f"nplc {function}"] = nplc_for_resolution(resolution / full)
            self.changed()

        def ask() -> str:
            full = self.settings[f"range {function}"]
            return nr3(self.front_end.step(full, self.settings[f"nplc {function}"]))

        kind = self._resolution_kind(function)
        return Command(f"{head}:RESolution", act, ask, takes=(kind,))

    def _auto(self, header: str, key: str, default: str) -> Command:
        """`ON`, `OFF` and `ONCE`: once settles it now and leaves it off."""
        self.default(key, default)
        word, boolean = Word("ONCE"), Boolean()

        class Either:
            def read(self, datum: Any) -> str:
                if datum.kind == "word" and datum.text == "ONCE":
                    return word.read(datum)
                return boolean.write(boolean.read(datum))

            def write(self, value: object) -> str:
                return str(value)

            def special(self, datum: Any) -> None:
                return None

        def act(value: str) -> None:
            if value == "ONCE" and key.startswith("auto "):
                self._range_once(key.removeprefix("auto "))
            self.settings[key] = "0" if value == "ONCE" else value
            self.changed()

        return Command(header, act, lambda: self.settings[key], takes=(Either(),))

    def _triggering(self) -> list[Command]:
        delay = Number(0.0, 3600.0, 0.0, ("S",))

        def own_delay() -> None:
            self.settings["auto delay"] = False
            self.changed()

        return [
            self.setting("SAMPle:COUNt", "samples", Integer(1, 50000, 1), 1, self.changed),
            self.setting("TRIGger:COUNt", "triggers", Integer(1, 50000, 1), 1, self.changed),
            self.setting(
                "TRIGger:SOURce",
                "source",
                Word("IMMediate", "BUS", "EXTernal"),
                "IMM",
                self.changed,
            ),
            self.setting("TRIGger:DELay", "delay", delay, 0.0, own_delay),
            self.setting("TRIGger:DELay:AUTO", "auto delay", Boolean(), True, self.changed),
            Command("INITiate[:IMMediate]", act=self._initiate),
            Command("ABORt", act=self.abort),
            Command("READ", ask=self._read),
            Command("FETCh", ask=self._fetch),
            Command("DATA:POINts", ask=lambda: str(self.run.taken(self.now_s) if self.run else 0)),
        ]

    # --- doing

    def _configure(self, function: str, full_scale: float = 0.0, resolution: float = 0.0) -> None:
        self.abort()
        kept = {key: self._defaults[key] for key in self._defaults}
        self.settings.update(kept)
        self.settings["function"] = function
        if full_scale:
            self.settings[f"range {function}"] = full_scale
            self.settings[f"auto {function}"] = "0"
        if resolution and full_scale and function != "VOLT:AC":
            self.settings[f"nplc {function}"] = nplc_for_resolution(resolution / full_scale)
        self.load_terminals()

    def _configuration(self) -> str:
        function = self.settings["function"]
        full = self.settings[f"range {function}"]
        nplc = self.settings.get(f"nplc {function}", 10.0)
        return f'"{function} {nr3(full)},{nr3(self.front_end.step(full, nplc))}"'

    def changed(self) -> None:
        """Any setting stops what was under way and makes the old readings void."""
        self.abort()
        self.run = None
        self.load_terminals()

    def load_terminals(self) -> None:
        """Put the input resistance across the leads."""
        across = (self.leads.hi, self.leads.lo, self.input_ohm()) if self.leads.on else None
        if across == self._across:
            return  # the unit feels no change, and need not be disturbed
        self._across = across
        if across is None:
            self.site.detach(self.name)
        else:
            self.site.attach(self.name, *across)

    def input_ohm(self) -> float:
        """Input resistance with the settings as they are."""
        function = self.settings["function"]
        if function == "VOLT:AC":
            return 1e6
        high = self.settings["high_z"] and self.settings["range VOLT"] <= 10.0
        return 10e9 if function == "VOLT" and high else 10e6

    def move_leads(self, hi: str, lo: str) -> None:
        """Put the leads somewhere else."""
        self.leads = Leads(hi, lo)
        self.load_terminals()

    def _range_once(self, function: str) -> None:
        probe = MeterRun(self, self.now_s)
        self.settings[f"range {function}"] = probe.wanted_range(function, self.now_s)

    def _initiate(self) -> None:
        if self.run is not None and self.busy_until_s() > self.now_s:
            raise ScpiError(-213)
        self.run = MeterRun(self, self.now_s)
        if self.settings["source"] == "IMM" and not self.stuck_trigger:
            self.run.trigger(self.now_s)
        self.run.keep_pace()

    def trigger(self) -> None:
        """`*TRG`."""
        if self.run is None or not self.run.waiting or self.settings["source"] != "BUS":
            raise ScpiError(-211)
        if not self.stuck_trigger:
            self.run.trigger(self.now_s)

    def abort(self) -> None:
        """Stop; what was taken stays."""
        if self.run is not None:
            self.run.stop(self.now_s)

    def clear_device(self) -> None:
        """Device clear aborts too."""
        super().clear_device()
        self.abort()

    def reset(self) -> None:
        """Defaults, nothing taken."""
        super().reset()
        self.changed()

    def _read(self) -> Later:
        if self.settings["source"] == "BUS":
            raise ScpiError(-214)
        self.abort()
        self._initiate()
        return self._fetch()

    def _fetch(self) -> Later:
        run = self.run
        if run is None or (run.waiting and run.idle_forever):
            raise ScpiError(-230)

        def finish() -> Any:
            end_s = run.end_s(self.now_s)
            if end_s > self.now_s:
                if run.waiting:
                    return Later(self.now_s + 0.01, finish, open_ended=True)
                return Later(end_s, finish)
            if not run.values:
                raise ScpiError(-230)
            return ",".join(nr3(value) for value in run.values)

        return Later(self.now_s, finish)

    def busy_until_s(self) -> float:
        """End of the run, infinity while it waits for a trigger."""
        return self.run.end_s(self.now_s) if self.run else float("-inf")

    def refresh(self) -> None:
        """OPER 16 measuring, 32 waiting for trigger; QUES 1 volts, 512 ohms overloaded."""
        measuring = waiting = False
        if self.run is not None:
            measuring = self.run.end_s(self.now_s) > self.now_s
            waiting = self.run.waiting
        self.status.operation.update(
            (16 if measuring and not waiting else 0) | (32 if waiting else 0)
        )
        volts = self.overload.get("VOLT", False) or self.overload.get("VOLT:AC", False)
        ohms = self.overload.get("RES", False)
        self.status.questionable.update((1 if volts else 0) | (512 if ohms else 0))
