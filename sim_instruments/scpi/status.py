"""Status: event registers, the status byte, and the error queue behind them.

IEEE 488.2 chapter 11; SCPI-1999 vol. 1, chapter 9 (OPERation and QUEStionable with transition
filters).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sim_instruments.scpi.errors import ErrorQueue, event_bit

__all__ = ["EventGroup", "Status"]

PON, OPC, QYE = 128, 1, 4


@dataclass
class EventGroup:
    """Condition, filters, latched events and enable mask of one SCPI register group."""

    condition: int = 0
    event: int = 0
    enable: int = 0
    positive: int = 0x7FFF
    negative: int = 0

    def update(self, condition: int) -> None:
        """Take a new condition and latch the transitions that the filters let through."""
        rose, fell = condition & ~self.condition, self.condition & ~condition
        self.event |= (rose & self.positive) | (fell & self.negative)
        self.condition = condition

    def read_event(self) -> int:
        """Give the latched events and clear them."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """Put enable and filters back as `STAT:PRES` asks."""
        self.enable, self.positive, self.negative = 0, 0x7FFF, 0

    @property
    def summary(self) -> bool:
        """True when an enabled event is latched."""
        return bool(self.event & self.enable)


@dataclass
class Status:
    """Everything that `*ESR?`, `*STB?`, `STAT:…` and `SYST:ERR?` tell."""

    errors: ErrorQueue = field(default_factory=ErrorQueue)
    event: int = PON
    event_enable: int = 0
    service_enable: int = 0
    operation: EventGroup = field(default_factory=EventGroup)
    questionable: EventGroup = field(default_factory=EventGroup)

    def fail(self, number: int) -> None:
        """Queue an error and set its class's event bit."""
        self.errors.push(number)
        self.event |= event_bit(number)

    def read_event(self) -> int:
        """Give the standard event register and clear it."""
        event, self.event = self.event, 0
        return event

    def byte(self, message_available: bool) -> int:
        """Status byte with MSS in bit 6."""
        value = (
            (4 if len(self.errors) else 0)
            | (8 if self.questionable.summary else 0)
            | (16 if message_available else 0)
            | (32 if self.event & self.event_enable else 0)
            | (128 if self.operation.summary else 0)
        )
        return value | (64 if value & self.service_enable & ~64 else 0)

    def clear(self) -> None:
        """Do what `*CLS` does: event registers and error queue, not the enables."""
        self.event = self.operation.event = self.questionable.event = 0
        self.errors.clear()
