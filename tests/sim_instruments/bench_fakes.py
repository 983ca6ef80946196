"""A small instrument and a way to talk to it without any transport."""

from __future__ import annotations

from collections.abc import Iterable

from runner.clock import VirtualClock
from sim_instruments.manners import Manners, Rudeness
from sim_instruments.scpi.exchange import Exchange
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Number, Word
from sim_instruments.scpi.tree import Command


class Toy(ScpiInstrument):
    """A level, a switch, a word and one slow query."""

    def commands(self) -> Iterable[Command]:
        from sim_instruments.scpi.instrument import Later

        return [
            self.setting(
                "[SOURce]:VOLTage[:LEVel][:IMMediate]", "volt", Number(0.0, 30.0, 1.0, ("V",)), 1.0
            ),
            self.setting("OUTPut[:STATe]", "out", Boolean(), False),
            self.setting("CHANnel<4>:SCALe", "scale", Number(0.001, 10.0, 1.0, ("V",)), 1.0),
            self.setting("TRIGger:SOURce", "source", Word("IMMediate", "BUS", "EXTernal"), "IMM"),
            self.setting("RESistance", "ohms", Number(0.0, 1e9, 1.0, ("OHM",)), 1.0),
            Command("MEASure:VOLTage", ask=lambda: "+1.20000000E+01"),
            Command("MEASure:CURRent", ask=lambda: "+3.00000000E+00"),
            Command("SLOW", ask=lambda: Later(self.now_s + 1.0, lambda: "7")),
        ]


class Talk:
    """Writes to and reads from an instrument by way of one exchange."""

    def __init__(
        self,
        instrument: ScpiInstrument,
        rules: Iterable[str] = (),
        *,
        message_based: bool = False,
    ) -> None:
        self.instrument = instrument
        self.rudeness = Rudeness(rules)
        self.message_based = message_based
        self.reconnect()

    def reconnect(self) -> None:
        self.exchange = Exchange(
            self.instrument,
            Manners(self.rudeness, self.instrument),
            message_based=self.message_based,
        )
        self.exchange.greet()

    def write(self, text: str) -> None:
        self.exchange.receive(text.encode("latin-1") + b"\n")

    def read(self, timeout_s: float = 10.0) -> bytes:
        """Everything that arrives until an LF ends it or the bench time is up."""
        clock = self.instrument.clock
        end_s, got = clock.mono_s() + timeout_s, b""
        while True:
            next_s = self.exchange.advance()
            while (piece := self.exchange.take()) is not None:
                got += piece.data
            if got.endswith(b"\n") or next_s is None or next_s > end_s:
                return got
            clock.sleep(max(0.0, next_s - clock.mono_s()) + 1e-9)

    def ask(self, text: str) -> str:
        self.write(text)
        return self.read().decode("latin-1").removesuffix("\n")

    def errors(self) -> list[int]:
        numbers = []
        while (number := int(self.ask("SYST:ERR?").split(",")[0])) != 0:
            numbers.append(number)
        return numbers


def toy() -> Toy:
    return Toy(Identity("Norvane", "TY-1", "0"), VirtualClock())
