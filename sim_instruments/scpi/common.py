"""Commands that every instrument shares: IEEE 488.2 chapter 10, SCPI-1999 vol. 2 SYSTem, STATus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim_instruments.scpi.errors import format_error
from sim_instruments.scpi.kinds import Integer
from sim_instruments.scpi.status import EventGroup
from sim_instruments.scpi.tree import Command

if TYPE_CHECKING:
    from sim_instruments.scpi.instrument import Later, ScpiInstrument

__all__ = ["common_commands"]

_BYTE = Integer(0, 255)
_WORD16 = Integer(0, 32767)
_POLL_S = 0.01  # how often the end of work of unknown length is looked for


def common_commands(own: ScpiInstrument) -> list[Command]:
    """Build the shared commands of one instrument."""
    return [*_ieee(own), *_system(own), *_status(own)]


def _when_idle(own: ScpiInstrument, answer: str | None) -> str | Later | None:
    """Answer once all started work is finished."""
    from sim_instruments.scpi.instrument import Later

    def finish() -> str | Later | None:
        until_s, now_s = own.busy_until_s(), own.now_s
        if until_s <= now_s:
            return answer
        if until_s == float("inf"):
            return Later(now_s + _POLL_S, finish, open_ended=True)
        return Later(until_s, finish)

    return finish()


def _ieee(own: ScpiInstrument) -> list[Command]:
    from sim_instruments.scpi.instrument import Later

    def set_enable(value: int) -> None:
        own.status.event_enable = value

    def set_service(value: int) -> None:
        own.status.service_enable = value & ~64

    def clear_status() -> None:  # looked up at the call: power-on makes a new status
        own.status.clear()

    def reset() -> Later:
        own.reset()
        return Later(own.now_s + own.reset_s, lambda: None)

    return [
        Command("*IDN", ask=lambda: str(own.identity), indefinite=True),
        Command("*RST", act=reset),
        Command("*CLS", act=clear_status),
        Command("*TST", ask=lambda: "0"),
        Command("*TRG", act=own.trigger),
        Command("*OPC", act=own.want_operation_complete, ask=lambda: _when_idle(own, "1")),
        Command("*WAI", act=lambda: _when_idle(own, None)),
        Command("*STB", ask=lambda: str(own.status.byte(False))),
        Command("*ESE", act=set_enable, ask=lambda: str(own.status.event_enable), takes=(_BYTE,)),
        Command("*ESR", ask=lambda: str(own.read_event_status())),
        Command(
            "*SRE", act=set_service, ask=lambda: str(own.status.service_enable), takes=(_BYTE,)
        ),
    ]


def _system(own: ScpiInstrument) -> list[Command]:
    def panel(remote: bool) -> None:
        own.remote = remote

    return [
        Command("SYSTem:ERRor[:NEXT]", ask=lambda: format_error(own.status.errors.pop())),
        Command("SYSTem:ERRor:COUNt", ask=lambda: str(len(own.status.errors))),
        Command("SYSTem:VERSion", ask=lambda: "1999.0"),
        Command("SYSTem:REMote", act=lambda: panel(True)),
        Command("SYSTem:RWLock", act=lambda: panel(True)),
        Command("SYSTem:LOCal", act=lambda: panel(False)),
    ]


def _status(own: ScpiInstrument) -> list[Command]:
    def preset() -> None:
        own.status.operation.preset()
        own.status.questionable.preset()

    commands = [Command("STATus:PRESet", act=preset)]
    for word in ("OPERation", "QUEStionable"):
        commands += _group(own, word)
    return commands


def _group(own: ScpiInstrument, word: str) -> list[Command]:
    def group() -> EventGroup:
        own.refresh()
        return own.status.operation if word == "OPERation" else own.status.questionable

    def mask(node: str, name: str) -> Command:
        return Command(
            f"STATus:{word}:{node}",
            act=lambda value: setattr(group(), name, value),
            ask=lambda: str(getattr(group(), name)),
            takes=(_WORD16,),
        )

    return [
        Command(f"STATus:{word}[:EVENt]", ask=lambda: str(group().read_event())),
        Command(f"STATus:{word}:CONDition", ask=lambda: str(group().condition)),
        mask("ENABle", "enable"),
        mask("PTRansition", "positive"),
        mask("NTRansition", "negative"),
    ]
