"""Units that are set by the words of supply families.

The unit on the bench answers in the words of a maker's supply. Sources: public drivers of the
DP800, the SPD3303X and the E36300; the public driver of the KA3005P and a driver file on its stray
byte. The bits of an E36300's mode are those of the E3631A guide, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

from sim_instruments.families.family import Family, Figure, Switch, in_channel
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Bound
from sim_instruments.scpi.kinds import Boolean, Kind, Word
from sim_instruments.scpi.tree import Command
from sim_instruments.supply import Supply

__all__ = ["E36300", "Dp800", "Ka3005p", "Spd3303x"]

_NO_STARS = ("*OPC", "*WAI", "*ES", "*ST", "*SRE", "*CLS", "*TST", "*RST")


class _OneOutput(Family, Supply):
    """What the families have in common: two levels, a switch, what the panel shows."""

    digits_v, digits_a = 3, 3

    def _levels(self, volts: str, amps: str, form_v: str, form_a: str) -> list[Command]:
        """Set-point and limit, as fine as the family's own steps."""
        self.default("output", False)
        self.default("ovp", 1.2 * self.v_max)
        kinds = (
            Figure(0.0, 1.02 * self.v_max, 0.0, ("V",), lambda v: round(v, self.digits_v), form_v),
            Figure(0.0, 1.02 * self.i_max, 0.0, ("A",), lambda a: round(a, self.digits_a), form_a),
        )
        return [
            self.setting(volts, "volts", kinds[0], 0.0, self._give_volts),
            self.setting(amps, "amperes", kinds[1], self.i_max, self._give_limit),
        ]

    def shown(self) -> tuple[float, float, float]:
        """Volts, amperes and watts on the panel."""
        volts, amperes = self.site.panel_v(), self.site.panel_a()
        return volts, amperes, volts * amperes

    def limits_current(self) -> bool:
        """True in constant current."""
        return bool(self.settings["output"]) and self.site.mode() == "cc"


class E36300(_OneOutput):
    """E36312A: a channel list behind each word, steps of 0.1 mV, plus sign before error 0."""

    idn = "Keysight Technologies,E36312A,MY{serial},2.1.0-1.0.4-1.12"
    sign = "+"
    digits_v = digits_a = 4

    def words(self) -> list[Command]:
        """All of them for output 1; the condition register has the output in its name."""
        tail = "[:LEVel][:IMMediate][:AMPLitude]"
        form = "{:+.8E}"
        asked = [
            *self._levels(f"[SOURce]:VOLTage{tail}", f"[SOURce]:CURRent{tail}", form, form),
            Command("OUTPut[:STATe]", self._switch, lambda: str(int(self.settings["output"])),
                    (Boolean(),)),
            Command("MEASure[:SCALar]:VOLTage[:DC]", ask=lambda: form.format(self.shown()[0])),
            Command("MEASure[:SCALar]:CURRent[:DC]", ask=lambda: form.format(self.shown()[1])),
            Command("OUTPut:PROTection:CLEar", act=self._clear),
        ]  # fmt: skip
        where = "STATus:QUEStionable:INSTrument:ISUMmary1:CONDition"
        return [*in_channel("@1", asked), Command(where, ask=self._condition)]

    def _condition(self) -> str:
        return "0" if not self.settings["output"] else "1" if self.limits_current() else "2"


def _of_channel(command: Command, word: str = "CH1") -> Command:
    """A question that names the channel, and is not answered without."""

    def ask(*channel: str) -> object:
        if not channel or command.ask is None:
            raise ScpiError(-109)
        return command.ask()

    return Command(command.header, ask=ask, asks=(Word(word),))


def _switched(header: str, switch: Callable[[bool], None]) -> Command:
    kinds: tuple[Kind, ...] = (Word("CH1"), Boolean())
    return Command(header, act=lambda _, on: switch(on), takes=kinds)


class Dp800(_OneOutput):
    """DP832: SOUR1 or CH1 name the output, its state comes back as a word."""

    idn = "RIGOL TECHNOLOGIES,DP832,DP8C{serial},00.01.14"

    def words(self) -> list[Command]:
        """Levels by source number, everything else by channel."""
        volts, amps = ":SOURce1:VOLTage", ":SOURce1:CURRent"
        state = Switch()
        return [
            *self._levels(f"{volts}[:LEVel]", f"{amps}[:LEVel]", "{:.3f}", "{:.3f}"),
            _switched("OUTPut[:STATe]", self._switch),
            *map(
                _of_channel,
                [
                    Command("OUTPut[:STATe]", ask=lambda: state.write(self.settings["output"])),
                    Command("OUTPut:MODE", ask=self._mode),
                    Command("MEASure:VOLTage", ask=lambda: f"{self.shown()[0]:.4f}"),
                    Command("MEASure:CURRent", ask=lambda: f"{self.shown()[1]:.4f}"),
                    Command("MEASure:ALL", ask=self._all),
                ],
            ),
        ]

    def _mode(self) -> str:
        return "CC" if self.limits_current() else "CV"

    def _all(self) -> str:
        return ",".join(f"{one:.4f}" for one in self.shown())


class Spd3303x(_OneOutput):
    """SPD3303X-E: the output's state is a bit of a hexadecimal word; few star words."""

    idn = "Siglent Technologies,SPD3303X-E,SPD3XIDQ{serial},1.01.01.02.07R2,V3.0"
    lacks = (*_NO_STARS, "STATus", "SYSTem:VERSion", "SYSTem:ERRor:COUNt")

    def words(self) -> list[Command]:
        """Levels under the channel's name."""
        return [
            *self._levels("CH1:VOLTage", "CH1:CURRent", "{:.3f}", "{:.3f}"),
            _switched("OUTPut", self._switch),
            Command("SYSTem:STATus", ask=self._bits),
            Command("*LOCK", act=lambda: setattr(self, "remote", True)),
            Command("*UNLOCK", act=lambda: setattr(self, "remote", False)),
            _of_channel(Command("MEASure:VOLTage", ask=lambda: f"{self.shown()[0]:.3f}")),
            _of_channel(Command("MEASure:CURRent", ask=lambda: f"{self.shown()[1]:.3f}")),
        ]

    def _bits(self) -> str:
        return f"0x{(16 if self.settings['output'] else 0) | int(self.limits_current()):X}"

    def _next_error(self) -> str:
        error = self.status.errors.pop()
        return f"{error}  Command error" if error else "0  No Error"


class Ka3005p(_OneOutput):
    """KA3005P: no line ends in either direction, the value in the word, steps of 10 mV and 1 mA.

    What it does not know it does not answer, and there is nobody to ask for an error.
    """

    idn = "KORADKA3005PV2.0 SN:{serial}"
    lacks = (*_NO_STARS, "*TRG", "SYSTem", "STATus")
    reply_end = b""
    line_ends = False
    digits_v = 2
    stray = "\x01"
    _value = re.compile(r"([VI]SET1):(\d+\.?\d*)")

    def shared_commands(self) -> Iterable[Command]:
        """The identity alone."""
        return [one for one in super().shared_commands() if one.header == "*IDN"]

    def words(self) -> list[Command]:
        """Ten words; the limit is answered with one byte too many."""
        volts, amps = self._levels("VSET1", "ISET1", "{:05.2f}", "{:05.3f}")
        told = amps.ask
        return [
            volts,
            Command("ISET1", amps.act, lambda: f"{told() if told else ''}{self.stray}", amps.takes),
            Command("OUT1", act=lambda: self._switch(True)),
            Command("OUT0", act=lambda: self._switch(False)),
            Command("VOUT1", ask=lambda: f"{self.shown()[0]:05.2f}"),
            Command("IOUT1", ask=lambda: f"{self.shown()[1]:05.3f}"),
            Command("STATUS", ask=self._byte),
        ]

    def _bind(self, message: str) -> Iterable[Bound]:
        """A level is written behind a colon, without a blank."""
        found = self._value.fullmatch(message)
        return super()._bind(f"{found[1]} {found[2]}" if found else message)

    def _byte(self) -> bytes:
        bits = int(not self.limits_current()) | (64 if self.settings["output"] else 0)
        return bytes([bits])
