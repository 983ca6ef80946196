"""Loads of the SCPI lineage: how each pulses, its units, what it refuses, what it answers.

Sources: digest of the DL3000 guide of April 2019 with an owner's measurements; the SDL1000X
command list and SDL1030X-E guide; the B&K 8600 guide (one lineage with ITECH); a public driver of
the EL30000 with guide page numbers. Accuracy classes: the makers' sheets where they were seen.
"""

from __future__ import annotations

from sim_instruments.accuracy import ErrorClass
from sim_instruments.families.family import Choice, Figure, in_channel
from sim_instruments.families.pulsing import PulsingLoad, per_us
from sim_instruments.load import LoadRating
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.kinds import Boolean, Integer, Number, Word
from sim_instruments.scpi.tree import Command

__all__ = ["Dl3000", "El30000", "It8500", "Sdl"]

_BUS = Word("BUS", "MANUal", "EXTernal")


def _modes(*answers: str) -> Choice:
    """The four modes, and what comes back for each."""
    words = ("CURRent", "VOLTage", "RESistance", "POWer")
    values = ("CURR", "VOLT", "RES", "POW")
    return Choice(dict(zip(words, zip(values, answers or values, strict=True), strict=True)))


class Dl3000(PulsingLoad):
    """DL3031: another mode word comes back; A/us and kHz; a new reading once a second.

    Arming the pulses with the input off puts it on, at level B; the range is refused while it is
    on; after a reset the levels are 4 A and 1 A and the slew is 1 A/ms.
    """

    idn = "RIGOL TECHNOLOGIES,DL3031,DL3B{serial},00.01.05.00.01"
    rated = LoadRating(60.0, 150.0, 350.0, 1.3, (6.0, 60.0), (150.0,))
    voltage_class = ErrorClass(5e-4, 2e-4)
    renews_s = 1.0
    first_slew_a_per_s = 1e3
    _bits = ((1, 4096), (2, 2), (8, 8), (256, 512), (1024, 1024), (8192, 8192))

    def words(self) -> list[Command]:
        """Everything under SOURce."""
        amps = Figure(0.0, self.span, 0.0, ("A",), form="{:.6f}")
        ohms = Figure(0.02, 15e3, 15e3, ("OHM",), form="{:.6f}")
        span = Figure(0.0, 60.0, 60.0, ("A",), self.fitting, form="{:g}")
        head = "[SOURce]:CURRent"
        return [
            self.setting("[SOURce]:FUNCtion", "mode", _modes("CC", "CV", "CR", "CP"), "CURR",
                         self.apply),
            Command("[SOURce]:FUNCtion:MODE", lambda _: None, lambda: "FIX", (Word("FIXed"),)),
            self.setting(f"{head}[:LEVel][:IMMediate]", "CURR", amps, 0.0, self.apply),
            self.setting("[SOURce]:RESistance[:LEVel][:IMMediate]", "RES", ohms, 15e3, self.apply),
            Command(f"{head}:RANGe", self.range_while_off, lambda: span.write(self.span()),
                    (span,)),
            *self.slews(f"{head}:SLEW"),
            *self._pulses(f"{head}:TRANsient"),
            Command("[SOURce]:INPut[:STATe]", self.switch, self.input_word, (Boolean(),)),
            Command("MEASure:VOLTage", ask=lambda: f"{self.renewed(self.volts):.6f}"),
            Command("MEASure:CURRent", ask=lambda: b"%.6f\n0" % self.renewed(self.amperes)),
        ]  # fmt: skip

    def _pulses(self, head: str) -> list[Command]:
        level = Number(0.0, self.span, 0.0, ("A",))
        khz = Figure(1e-5, 30.0, 1.0, form="{:.6f}", per=1e3)
        self.default("pulse high", 4.0)
        self.default("pulse low", 1.0)
        return [
            Command(f"{head}:MODE", lambda _: None, takes=(Word("CONTinuous", "PULSe", "TOGGle"),)),
            self.setting(f"{head}:ALEVel", "pulse high", level, 4.0, self.apply),
            self.setting(f"{head}:BLEVel", "pulse low", level, 1.0, self.apply),
            self.setting(f"{head}:FREQuency", "pulse hertz", khz, 1e3, self.apply),
            self.setting(f"{head}:ADUTy", "pulse duty", Integer(1, 99, 50), 50, self.apply),
            Command("TRIGger:SOURce", lambda _: None, takes=(_BUS,)),
            Command("TRIGger[:IMMediate]", act=self.trigger),
            Command("[SOURce]:TRANsient[:STATe]", self._arm, takes=(Boolean(),)),
        ]

    def _arm(self, on: bool) -> None:
        self.arm(on)
        if on and not self.settings["input"]:
            self.switch(True)

    def refresh(self) -> None:
        """Condition bits in this maker's places."""
        found = self.guard.condition()
        self.status.questionable.update(sum(own for bit, own in self._bits if found & bit))


class Sdl(PulsingLoad):
    """SDL1020X-E: no trip status; the range is refused while the input is on; three decimals."""

    idn = "Siglent Technologies,SDL1020X-E,SDL{serial},1.1.1.21R2"
    lacks = ("STATus",)
    rated = LoadRating(30.0, 150.0, 200.0, 0.5, (5.0, 30.0), (36.0, 150.0))

    def words(self) -> list[Command]:
        """FUNC:TRAN enters the pulses, FUNC leaves them."""
        amps = Figure(0.0, self.span, 0.0, ("A",), form="{:.3f}")
        ohms = Figure(0.03, 1e4, 1e4, ("OHM",), form="{:.3f}")
        span = Figure(0.0, 30.0, 30.0, ("A",), self.fitting, form="{:g}")
        mode = _modes("CURRENT", "VOLTAGE", "RESISTANCE", "POWER")
        head = "CURRent:TRANsient"
        return [
            Command("FUNCtion", self._static, lambda: mode.write(self.settings["mode"]), (mode,)),
            Command("FUNCtion:TRANsient", lambda _: self.arm(True), takes=(Word("CURRent"),)),
            self.setting("CURRent[:LEVel][:IMMediate]", "CURR", amps, 0.0, self.apply),
            self.setting("RESistance[:LEVel][:IMMediate]", "RES", ohms, 1e4, self.apply),
            Command("CURRent:IRANGe", self.range_while_off, lambda: span.write(self.span()),
                    (span,)),
            *self.slews("CURRent:SLEW"),
            *self.level_and_width(head),
            self.setting(f"{head}:SLEW:POSitive", "pulse up", per_us(), 5e5, self.apply),
            self.setting(f"{head}:SLEW:NEGative", "pulse down", per_us(), 5e5, self.apply),
            Command("TRIGger:SOURce", lambda _: None, takes=(_BUS,)),
            Command("INPut[:STATe]", self.switch, self.input_word, (Boolean(),)),
            self.setting("SHORt[:STATe]", "short", Boolean(), False, self.apply),
            Command("MEASure:VOLTage", ask=lambda: self.fresh(self.volts, "{:.3f}")),
            Command("MEASure:CURRent", ask=lambda: self.fresh(self.amperes, "{:.3f}")),
        ]  # fmt: skip

    def _static(self, mode: str) -> None:
        self.settings["mode"] = mode
        self.arm(False)


class It8500(PulsingLoad):
    """IT8512A+ and the B&K 8600: the range clamps levels and slew; pulses begin with a trigger."""

    idn = "ITECH Ltd., IT8512A+, {serial}, 1.36-1.41"
    rated = LoadRating(30.0, 120.0, 300.0, 0.5, (3.0, 30.0), (120.0,))

    def words(self) -> list[Command]:
        """Those of the guide's chapters on CURRent and INPut."""
        amps = Figure(0.0, self.span, 0.0, ("A",), form="{:.4f}")
        ohms = Figure(0.05, 7500.0, 7500.0, ("OHM",), form="{:.3f}")
        span = Figure(0.0, 30.0, 30.0, ("A",), self.fitting, form="{:g}")
        return [
            self.setting("FUNCtion", "mode", _modes(), "CURR", self.apply),
            self.setting("CURRent[:LEVel][:IMMediate]", "CURR", amps, 0.0, self.apply),
            self.setting("RESistance[:LEVel][:IMMediate]", "RES", ohms, 7500.0, self.apply),
            Command("CURRent:RANGe", self._clamping, lambda: span.write(self.span()), (span,)),
            *self.slews("CURRent:SLEW"),
            *self.level_and_width("CURRent:TRANsient"),
            Command("TRANsient[:STATe]", self.arm, lambda: str(int(self.settings["transient"])),
                    (Boolean(),)),
            Command("TRIGger:SOURce", lambda _: None, takes=(_BUS,)),
            Command("TRIGger[:IMMediate]", act=self.trigger),
            Command("INPut[:STATe]", self.switch, self.input_word, (Boolean(),)),
            self.setting("INPut:SHORt", "short", Boolean(), False, self.apply),
            Command("MEASure:VOLTage", ask=lambda: self.fresh(self.volts, "{:.5f}")),
            Command("MEASure:CURRent", ask=lambda: self.fresh(self.amperes, "{:.6f}")),
        ]  # fmt: skip

    def _clamping(self, span_a: float) -> None:
        self.settings["range CURR"] = span_a
        for key in ("CURR", "pulse high", "pulse low"):
            self.settings[key] = min(self.settings[key], span_a)
        for key in ("slew up", "slew down"):  # full scale takes ten microseconds at least
            self.settings[key] = min(self.settings[key], span_a / 10e-6)
        self.apply()


class El30000(PulsingLoad):
    """EL34143A: every word with its channel list, signs and exponents, slew in A/s."""

    idn = "Keysight Technologies,EL34143A,MY{serial},1.2.9"
    sign = "+"
    lacks = ("STATus:QUEStionable:CONDition",)
    rated = LoadRating(60.0, 150.0, 350.0, 0.5, (0.612, 6.12, 61.2), (150.0,))
    level_class = ErrorClass(4e-4, 2.5e-4)
    current_class = ErrorClass(4e-4, 2e-4)
    voltage_class = ErrorClass(3e-4, 4.7e-5)

    def words(self) -> list[Command]:
        """All of them for channel 1."""
        return in_channel("@1", [*self._levels(), *self._pulses(), *self._input()])

    def _levels(self) -> list[Command]:
        amps = Figure(0.0, self.span, 0.0, ("A",), form="{:+.6E}")
        ohms = Figure(0.08, 4e3, 4e3, ("OHM",), form="{:+.6E}")
        span = Figure(0.0, 61.2, 61.2, ("A",), self.fitting, form="{:+.6E}")
        slew = Figure(1.0, 5e6, 1e6, form="{:+.6E}")
        return [
            self.setting("FUNCtion", "mode", _modes(), "CURR", self.apply),
            self.setting("CURRent[:LEVel][:IMMediate]", "CURR", amps, 0.0, self.apply),
            self.setting("RESistance[:LEVel][:IMMediate]", "RES", ohms, 4e3, self.apply),
            self.setting("CURRent:RANGe", "range CURR", span, 61.2, self._ranged),
            Command("CURRent:SLEW", self.both_slews,
                    lambda: slew.write(self.settings["slew up"]), (slew,)),
        ]  # fmt: skip

    def _pulses(self) -> list[Command]:
        level = Number(0.0, self.span, 0.0, ("A",))
        hertz = Number(0.25, 1e4, 1e3, ("HZ",))
        share = Number(1.8, 98.2, 50.0)
        self.default("stepping", False)
        return [
            self.setting("CURRent:TLEVel", "pulse high", level, 0.0, self.apply),
            Command("CURRent:MODE", self._step, takes=(Word("STEP", "FIXed", "LIST"),)),
            Command("TRANsient:MODE", lambda _: None, takes=(Word("CONTinuous", "PULSe"),)),
            self.setting("TRANsient:FREQuency", "pulse hertz", hertz, 1e3, self.apply),
            self.setting("TRANsient:DCYCle", "pulse duty", share, 50.0, self.apply),
            Command("INITiate:CONTinuous:TRANsient", self._initiate, takes=(Boolean(),)),
            Command("TRIGger:TRANsient", act=self.trigger),
        ]

    def _input(self) -> list[Command]:
        return [
            Command("OUTPut[:STATe]", self.switch, self.input_word, (Boolean(),)),
            self.setting("OUTPut:SHORt", "short", Boolean(), False, self.apply),
            Command("MEASure:VOLTage", ask=lambda: self.fresh(self.volts, "{:+.8E}")),
            Command("MEASure:CURRent", ask=lambda: self.fresh(self.amperes, "{:+.8E}")),
            Command("STATus:QUEStionable:CONDition", ask=self._condition),
        ]

    def _step(self, word: str) -> None:
        self.settings["stepping"] = word == "STEP"
        if word != "STEP":
            self.arm(False)

    def _initiate(self, on: bool) -> None:
        if on and not self.settings["stepping"]:
            raise ScpiError(-221)
        self.arm(on)

    def pulse_low(self) -> float:
        """The main level is the lower one."""
        return float(self.settings["CURR"])

    def _condition(self) -> str:
        self.refresh()
        return f"{self.status.questionable.condition:+d}"
