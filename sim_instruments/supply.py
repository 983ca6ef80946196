"""The unit's own remote interface, for units whose set-point can be sent."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from sim_instruments.bench_clock import BenchTime
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Identity, Later, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Number
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.tree import Command
from sim_instruments.site import Site

__all__ = ["Supply"]

_READBACK_S = 0.3  # the unit's own meters show this much later
_LOOK_S = 0.05


class Supply(ScpiInstrument):
    """Set-point, limit, output switch, own readback, over-voltage trip.

    The unit feels nothing of it until the first command, or until :meth:`apply`.
    """

    def __init__(
        self, identity: Identity, clock: BenchTime, site: Site, *, v_max: float, i_max: float
    ) -> None:
        self.site, self.alarms = site, clock.alarms
        self.v_max, self.i_max = v_max, i_max
        self.tripped = False
        self._watching = False
        super().__init__(identity, clock)

    def commands(self) -> Iterable[Command]:
        """Words of the supply."""
        tail = "[:LEVel][:IMMediate][:AMPLitude]"
        volts = Number(0.0, 1.02 * self.v_max, 0.0, ("V",))
        amperes = Number(0.0, 1.02 * self.i_max, self.i_max, ("A",))
        most_v = 1.2 * self.v_max
        self.default("output", False)
        return [
            self.setting(f"[SOURce]:VOLTage{tail}", "volts", volts, 0.0, self._give_volts),
            self.setting(
                f"[SOURce]:CURRent{tail}", "amperes", amperes, self.i_max, self._give_limit
            ),
            self.setting(
                "[SOURce]:VOLTage:PROTection[:LEVel]", "ovp",
                Number(0.0, most_v, most_v, ("V",)), most_v,
            ),
            Command("[SOURce]:VOLTage:PROTection:TRIPped", ask=lambda: str(int(self.tripped))),
            Command("OUTPut:PROTection:CLEar", act=self._clear),
            Command(
                "OUTPut[:STATe]", self._switch, lambda: str(int(self.settings["output"])),
                (Boolean(),),
            ),
            self._measure("VOLTage", self.site.panel_v),
            self._measure("CURRent", self.site.panel_a),
            self._measure("POWer", lambda: self.site.panel_v() * self.site.panel_a()),
        ]  # fmt: skip

    def _measure(self, word: str, read: Callable[[], float]) -> Command:
        def ask() -> Later:
            return Later(self.now_s + 0.01, lambda: nr3(read()))

        return Command(f"MEASure[:SCALar]:{word}[:DC]", ask=ask)

    def _switch(self, on: bool) -> None:
        if on and self.tripped:
            raise ScpiError(-221)
        self.settings["output"] = on
        self._give_output()

    def _clear(self) -> None:
        self.tripped = False

    def apply(self) -> None:
        """Make the unit feel the settings."""
        self._give_limit()
        self._give_volts()
        self._give_output()

    def _give_volts(self) -> None:
        self.site.set_voltage(self.settings["volts"])

    def _give_limit(self) -> None:
        self.site.set_current_limit(self.settings["amperes"])

    def _give_output(self) -> None:
        self.site.set_output(self.settings["output"])
        if self.settings["output"] and not self._watching:
            self._watching = True
            self._watch()

    def reset(self) -> None:
        """Output off, 0 V, full current."""
        super().reset()
        self.apply()

    def refresh(self) -> None:
        """QUES 1 in CC, 2 in CV, 16 too hot, 512 over-voltage trip; 0 with the output off."""
        bits = {"cc": 1, "cv": 2, "tripped": 16}.get(self.site.mode(), 0)
        self.status.questionable.update(
            (bits if self.settings["output"] else 0) | (512 if self.tripped else 0)
        )

    def _watch(self) -> None:
        def look() -> None:
            with self.lock:
                if not self.settings["output"]:
                    self._watching = False
                    return
                now_s = self.now_s
                if self.site.mean_v("plus", "minus", now_s - 1e-3, now_s) > self.settings["ovp"]:
                    self.tripped, self._watching = True, False
                    self.settings["output"] = False
                    self._give_output()
                    return
                self._watch()

        pause_s = _LOOK_S if self.settings["ovp"] < self.v_max else 1.0
        self.alarms.at(self.now_s + pause_s, look)
