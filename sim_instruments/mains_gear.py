"""What stands in the unit's mains: a settable source, a power meter; and a thermometer."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from sim_instruments.accuracy import ErrorClass, TrueError, draw, stream
from sim_instruments.bench_clock import BenchTime
from sim_instruments.plant.settings import Inlet
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Identity, Later, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Number, Word
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.tree import Command
from sim_instruments.site import Site

__all__ = ["MainsMeter", "MainsSource", "Thermometer"]

_POWER_CLASS = ErrorClass(1e-3, 5e-4)
_RANGES = {"volts": 300.0, "amperes": 5.0, "watts": 600.0}


class MainsSource(ScpiInstrument):
    """Sets the line voltage and frequency; its output is the unit's mains switch at the wall."""

    def __init__(
        self,
        identity: Identity,
        clock: BenchTime,
        site: Site,
        *,
        nominal_v: float,
        nominal_hz: float,
    ) -> None:
        self.site, self.alarms = site, clock.alarms
        self.nominal_v, self.nominal_hz = nominal_v, nominal_hz
        self.tripped = False
        super().__init__(identity, clock)
        self.settings["output"] = True  # the unit is found running
        self.apply()

    def commands(self) -> Iterable[Command]:
        """Words of the source."""
        tail = "[:LEVel][:IMMediate][:AMPLitude]"
        volts = Number(0.0, lambda: self.settings.get("limit", 300.0), self.nominal_v, ("V",))
        self.default("output", False)
        return [
            self.setting(f"[SOURce]:VOLTage{tail}", "volts", volts, self.nominal_v, self.apply),
            self.setting(
                "[SOURce]:FREQuency[:CW]", "hertz", Number(45.0, 65.0, self.nominal_hz, ("HZ",)),
                self.nominal_hz, self.apply,
            ),
            self.setting(
                "[SOURce]:VOLTage:LIMit", "limit", Number(0.0, 300.0, 300.0, ("V",)), 300.0
            ),
            self.setting("[SOURce]:CURRent:LIMit", "most", Number(0.1, 10.0, 10.0, ("A",)), 10.0),
            Command(
                "OUTPut[:STATe]", self._switch, lambda: str(int(self.settings["output"])),
                (Boolean(),),
            ),
            Command("OUTPut:PROTection:CLEar", act=self._clear),
            self._measure("VOLTage[:AC]", lambda inlet: inlet.v_rms),
            self._measure("CURRent[:AC]", lambda inlet: inlet.i_rms),
            self._measure("POWer[:AC]", lambda inlet: inlet.p_w),
            self._measure("FREQuency", lambda inlet: inlet.f_hz),
        ]  # fmt: skip

    def _measure(self, word: str, pick: Callable[[Inlet], float]) -> Command:
        def ask() -> Later:
            start_s = self.now_s
            return Later(
                start_s + 0.2, lambda: nr3(round(pick(self.site.inlet(start_s, start_s + 0.2)), 3))
            )

        return Command(f"MEASure[:SCALar]:{word}", ask=ask)

    def _switch(self, on: bool) -> None:
        if on and self.tripped:
            raise ScpiError(-221)
        self.settings["output"] = on
        self.apply()

    def _clear(self) -> None:
        self.tripped = False

    def apply(self) -> None:
        """Make the line follow; watch the current when a limit is set low."""
        self.site.set_mains(self.settings["volts"], self.settings["hertz"])
        self.site.mains_on(self.settings["output"])
        if self.settings["output"]:
            self.alarms.at(self.now_s + 1.0, self._look)

    def _look(self) -> None:
        with self.lock:
            now_s = self.now_s
            if not self.settings["output"] or self.settings["most"] >= 10.0:
                return
            if self.site.inlet(now_s - 0.2, now_s).i_rms > self.settings["most"]:
                self.tripped = True
                self.settings["output"] = False
                self.apply()
            else:
                self.alarms.at(now_s + 1.0, self._look)

    def reset(self) -> None:
        """Output off, nominal line."""
        super().reset()
        self.apply()

    def refresh(self) -> None:
        """QUES 2: current trip."""
        self.status.questionable.update(2 if self.tripped else 0)


class MainsMeter(ScpiInstrument):
    """A power meter at the unit's inlet; renews all its figures together."""

    def __init__(
        self, identity: Identity, clock: BenchTime, site: Site, *, name: str, seed: int = 1
    ) -> None:
        self.site = site
        self.random = stream(seed, name)
        self.truth: dict[str, TrueError] = {
            key: draw(self.random, {full: _POWER_CLASS})[full] for key, full in _RANGES.items()
        }
        self._held: tuple[float, list[float]] | None = None
        super().__init__(identity, clock)

    def commands(self) -> Iterable[Command]:
        """Words of the power meter."""
        words = {
            "VOLTage[:AC]": 0, "CURRent[:AC]": 1, "POWer[:AC][:REAL]": 2, "POWer[:AC]:APParent": 3,
            "POWer[:AC]:PFACtor": 4, "FREQuency": 5,
        }  # fmt: skip
        commands = [
            self.setting(
                "[SENSe]:SWEep:TIME", "update", Number(0.1, 5.0, 0.5, ("S",)), 0.5, self._changed
            )
        ]
        for verb in ("FETCh", "MEASure"):
            fresh = verb == "MEASure"
            for word, index in words.items():
                commands.append(
                    Command(f"{verb}[:SCALar]:{word}", ask=self._asking([index], fresh))
                )
            commands.append(
                Command(f"{verb}[:SCALar]:ALL", ask=self._asking(list(range(6)), fresh))
            )
        return commands

    def _asking(self, indices: list[int], fresh: bool) -> Callable[[], Later]:
        def ask() -> Later:
            update_s = self.settings["update"]
            began = self.now_s // update_s
            ready_s = (began + 2) * update_s if fresh else max(self.now_s, update_s)
            if began == 0:
                ready_s = max(ready_s, update_s)

            def finish() -> str:
                figures = self._figures(update_s)
                return ",".join(nr3(figures[n]) for n in indices)

            return Later(ready_s + 1e-9, finish)

        return ask

    def _figures(self, update_s: float) -> list[float]:
        """All six of the last finished update."""
        end_s = (self.now_s // update_s) * update_s
        if self._held is None or self._held[0] != end_s:
            inlet = self.site.inlet(end_s - update_s, end_s)
            volts = self.truth["volts"].shown(inlet.v_rms)
            amperes = self.truth["amperes"].shown(inlet.i_rms)
            watts = self.truth["watts"].shown(inlet.p_w)
            apparent = volts * amperes
            factor = min(1.0, watts / apparent) if apparent > 0.05 else 0.0
            figures = [round(volts, 2), round(amperes, 4), round(watts, 2), round(apparent, 2)]
            self._held = (end_s, [*figures, round(factor, 4), round(inlet.f_hz, 3)])
        return self._held[1]

    def _changed(self) -> None:
        self._held = None


class Thermometer(ScpiInstrument):
    """Two inputs: 1 on the heatsink, 2 in the room air; an open one overloads."""

    def __init__(
        self, identity: Identity, clock: BenchTime, site: Site, *, name: str, seed: int = 1
    ) -> None:
        self.site = site
        self.random = stream(seed, name)
        self.truth = {n: TrueError(0.0, float(self.random.uniform(-1, 1))) for n in (1, 2)}
        self.places = {1: "heatsink", 2: "ambient"}
        super().__init__(identity, clock)

    def commands(self) -> Iterable[Command]:
        """Words of the thermometer."""
        kinds = Word("TCouple", "RTD")
        return [
            self.setting("UNIT:TEMPerature", "unit", Word("C", "F", "K"), "C"),
            self.setting("[SENSe]:TEMPerature<2>:TRANsducer", "transducer", kinds, "TC"),
            *(
                Command(f"{verb}[:SCALar]:TEMPerature<2>", ask=self._ask)
                for verb in ("MEASure", "FETCh")
            ),
        ]

    def _ask(self, number: int) -> Later:
        def finish() -> str:
            place = self.places.get(number, "")
            if not place:
                return nr3(float("inf"))
            noise = 0.02 * float(self.random.standard_normal())
            celsius = self.truth[number].shown(self.site.temperature_c(place)) + noise
            shown = {"C": celsius, "F": celsius * 1.8 + 32, "K": celsius + 273.15}
            return nr3(round(shown[self.settings["unit"]], 2))

        return Later(self.now_s + 0.1, finish)
