"""Loads with words and manners of their own: silent, with units in replies, with verdict words.

Sources: an owner's notes on a 63004 and the 63600-2 guide; a public driver of the KEL103; owners'
notes on the ET54 (three drivers). Accuracy classes are the makers' claims, from memory.
"""

from __future__ import annotations

from collections.abc import Iterable

from sim_instruments.accuracy import ErrorClass
from sim_instruments.families.family import Choice, Figure, Switch
from sim_instruments.families.pulsing import PulsingLoad, per_us
from sim_instruments.load import LoadRating
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Bound, Later
from sim_instruments.scpi.kinds import Boolean, Integer, Number, Word
from sim_instruments.scpi.tree import Command

__all__ = ["Chroma63", "Et54", "Kel103"]

_NO_STARS = ("*OPC", "*WAI", "*ES", "*ST", "*SRE", "*CLS", "*TST", "*RST")
_STATIC = {"CC": "CURR", "CR": "RES", "CV": "VOLT", "CP": "POW"}


class Chroma63(PulsingLoad):
    """63004-150-60: the range is the mode's last letter, a level beyond it is taken and ignored.

    LOAD? answers a word; errors have positive numbers; clearing a protection works and leaves
    an error.
    """

    idn = "Chroma,63004-150-60,{serial},1.00"
    rated = LoadRating(60.0, 150.0, 400.0, 0.5, (0.6, 6.0, 60.0), (150.0,))
    _bits = ((1, 4), (2, 8), (8, 1), (16, 2), (256, 16))
    _execution_error = '4,"Execution Error"'

    def words(self) -> list[Command]:
        """Static and dynamic currents, resistance, the input, the protections."""
        modes = [f"{kind}{span}" for kind in ("CC", "CR", "CV", "CP") for span in "LMH"]
        kind = Word(*modes, "CCDL", "CCDM", "CCDH")
        self.default("mode word", "CCL")
        self.default("beyond", False)
        ohms = Figure(0.03, 3e3, 3e3, ("OHM",), form="{:.2f}")
        return [
            Command("CHANnel", lambda _: None, lambda: "1", (Integer(1, 1, 1),)),
            Command("MODE", self._choose, lambda: self.settings["mode word"], (kind,)),
            Command("CURRent:STATic:L1", self._level, self._said_level, (Number(0.0, 60.0, 0.0),)),
            self.setting("RESistance:STATic:L1", "RES", ohms, 3e3, self.apply),
            self.setting("CURRent:STATic:RISE", "slew up", per_us(), 1e5, self.apply),
            self.setting("CURRent:STATic:FALL", "slew down", per_us(), 1e5, self.apply),
            *self._dynamic_words("CURRent:DYNamic"),
            *self._input_words(),
            self.setting("CONFigure:VOLTage:ON", "von", Figure(0.0, 150.0, 0.0, form="{:.3f}"),
                         0.0, self.apply),
            Command("MEASure:VOLTage", ask=lambda: self.fresh(self.volts, "{:.5f}")),
            Command("MEASure:CURRent", ask=lambda: self.fresh(self.amperes, "{:.6f}")),
        ]  # fmt: skip

    def _dynamic_words(self, head: str) -> list[Command]:
        level, width = Number(0.0, 60.0, 0.0, ("A",)), Number(2.5e-5, 50.0, 5e-4, ("S",))
        return [
            self.setting(f"{head}:L1", "pulse low", level, 0.0, self.apply),
            self.setting(f"{head}:L2", "pulse high", level, 0.0, self.apply),
            self.setting(f"{head}:T1", "pulse b s", width, 5e-4, self.apply),
            self.setting(f"{head}:T2", "pulse a s", width, 5e-4, self.apply),
            self.setting(f"{head}:RISE", "pulse up", per_us(), 1e5, self.apply),
            self.setting(f"{head}:FALL", "pulse down", per_us(), 1e5, self.apply),
        ]

    def _input_words(self) -> list[Command]:
        return [
            Command("LOAD[:STATe]", self.switch, lambda: self._word("input"), (Boolean(),)),
            self.setting("LOAD:SHORt", "short", Switch(), False, self.apply),
            Command("LOAD:PROTection", ask=self._tripped),
            Command("LOAD:PROTection:CLEar", act=self._clear),
        ]

    def _word(self, key: str) -> str:
        return "ON" if self.settings[key] else "OFF"

    def _choose(self, word: str) -> None:
        if self.settings["short"]:
            raise ScpiError(-221)
        self.settings["mode word"] = word
        self.settings["mode"] = _STATIC[word[:2]]
        if word.startswith("CC"):
            self.settings["range CURR"] = self.rated.own_ranges_a["LMH".index(word[-1])]
        self.arm(word.startswith("CCD"))
        self.settings["running"] = self.settings["transient"]
        self._level(self.settings.get("said A", 0.0))

    def _level(self, amperes: float) -> None:
        self.settings["said A"] = amperes
        if amperes <= self.span():
            self.settings["CURR"] = amperes
        self.apply()

    def _said_level(self) -> str:
        return f"{self.settings.get('said A', 0.0):.4f}"

    def switch(self, on: bool) -> None:
        """With the input on, a dynamic mode runs."""
        super().switch(on)
        self.settings["running"] = on and self.settings["transient"]
        self.apply()

    def _tripped(self) -> str:
        found = self.guard.condition()
        return str(sum(own for bit, own in self._bits if found & bit))

    def _clear(self) -> None:
        self.guard.clear()
        raise ScpiError(-200)

    def _next_error(self) -> str:
        error = self.status.errors.pop()
        return self._execution_error if error else '0,"No Error"'


class Kel103(PulsingLoad):
    """KEL103: amperes with their letter, a unit in every reply, no errors, silence."""

    idn = "KORAD KEL103 V2.60 SN:{serial}"
    lacks = (*_NO_STARS, "SYSTem", "STATus")
    rated = LoadRating(30.0, 120.0, 300.0, 0.5, (30.0,), (120.0,))
    voltage_class = ErrorClass(5e-4, 5e-4)

    def _bind(self, message: str) -> Iterable[Bound]:
        return super()._bind(message.replace("%", "PCT"))  # no sign of the standard's

    def words(self) -> list[Command]:
        """One command a message."""
        modes = Choice({w: (v, w) for w, v in zip(("CC", "CV", "CR", "CW", "SHORT"),
                        ("CURR", "VOLT", "RES", "POW", "SHORT"), strict=True)})  # fmt: skip
        self.default("short", False)
        amps = Figure(0.0, 30.0, 0.0, ("A",), form="{:.3f}A")
        ohms = Figure(0.05, 7500.0, 7500.0, ("OHM",), form="{:.3f}OHM")
        level = Number(0.0, 30.0, 0.0, ("A",))
        dyn = (Integer(1, 6), level, level, Number(0.1, 1e3, 1e2, ("HZ",)),
               Number(1.0, 99.0, 50.0, ("PCT",)))  # fmt: skip
        return [
            Command("FUNCtion", self._static, lambda: modes.write(self._mode_now()), (modes,)),
            self.setting("CURRent", "CURR", amps, 0.0, self.apply),
            self.setting("RESistance", "RES", ohms, 7500.0, self.apply),
            Command("INPut", self.switch, lambda: "ON" if self.settings["input"] else "OFF",
                    (Boolean(),)),
            Command("DYN", self._pulse, takes=dyn),
            Command("MEASure:VOLTage", ask=lambda: self.fresh(self.volts, "{:.3f}V")),
            Command("MEASure:CURRent", ask=lambda: self.fresh(self.amperes, "{:.3f}A")),
        ]  # fmt: skip

    def _mode_now(self) -> str:
        return "SHORT" if self.settings["short"] else str(self.settings["mode"])

    def _static(self, mode: str) -> None:
        """A short is a mode like the others."""
        self.settings["short"] = mode == "SHORT"
        if mode != "SHORT":
            self.settings["mode"] = mode
        self.arm(False)

    def _pulse(self, way: int, low: float, high: float, hertz: float, percent: float) -> None:
        if way != 2:  # 5 and 6 are taken and do nothing
            return
        self.settings.update(
            {"pulse low": low, "pulse high": high, "pulse hertz": hertz, "pulse duty": percent}
        )
        self.arm(True)
        self.settings["running"] = self.settings["input"]
        self.apply()

    def switch(self, on: bool) -> None:
        """With the input on, a dynamic mode runs."""
        super().switch(on)
        self.settings["running"] = on and self.settings["transient"]
        self.apply()


class Et54(PulsingLoad):
    """ET5410A+: a verdict after each setting, one line of four numbers, stray refusals.

    `strays` lets a refusal that nobody asked for follow each answer, as on some units.
    """

    idn = "ET5410A+ {serial} V1.00.2213.016 V1.00.2213.016"
    lacks = (*_NO_STARS, "SYSTem", "STATus")
    reply_end = b"\r\n"
    rated = LoadRating(40.0, 150.0, 400.0, 0.5, (40.0,), (150.0,))
    voltage_class = ErrorClass(5e-4, 5e-4)
    strays = True

    def words(self) -> list[Command]:
        """The channel's number stands inside the keywords."""
        modes = Choice({w: (v, w) for w, v in _STATIC.items()})
        amps = Figure(0.0, 40.0, 0.0, (), form="R {:.4f}")
        return [
            Command("CH1:MODE", self._mode, lambda: f"R {modes.write(self.settings['mode'])}",
                    (modes,)),
            self.setting("CURR1:CC", "CURR", amps, 0.0, self.apply),
            Command("CH1:SW", self.switch, lambda: f"R {'ON' if self.settings['input'] else 'OFF'}",
                    (Boolean(),)),
            Command("MEAS1:ALL", ask=self._all),
            Command("SYSTem:LOCAl", act=lambda: None),
        ]  # fmt: skip

    def _mode(self, mode: str) -> None:
        self.settings["mode"] = mode
        self.apply()

    def _all(self) -> Later:
        def look(end_s: float) -> str:
            volts, amperes = self.volts(end_s), self.amperes(end_s)
            ohms = volts / amperes if amperes > 1e-3 else 0.0
            return f"R {amperes:.4f}  {volts:.4f}  {volts * amperes:.3f}  {ohms:.3f}"

        end_s = self.now_s + 0.02
        return Later(end_s, lambda: look(end_s))

    def verdict(self, bound: Bound, error: int) -> str | None:
        """Taken, refused, or not understood."""
        if not error:
            return "Rexecu success"
        return "Rcmd err" if bound.command is None else "Rexecu err"

    def joined(self, answers: list[bytes]) -> bytes:
        """One line an answer, perhaps with a stray one behind."""
        stray = [b"Rcmd err"] if self.strays and not answers[-1].startswith(b"Rexecu") else []
        return b"\r\n".join([*answers, *stray])
