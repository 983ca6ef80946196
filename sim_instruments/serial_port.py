"""Instruments on pseudo-terminals: what a program sees of a serial port, without its wires.

Modem lines and bit rates do not exist here; echo, boot noise, lost characters and odd endings do.
"""

from __future__ import annotations

import contextlib
import os
import select
import tty
from collections.abc import Mapping

from sim_instruments.bench_clock import BenchTime
from sim_instruments.manners import Rudeness
from sim_instruments.scpi.instrument import ScpiInstrument
from sim_instruments.served import Served

__all__ = ["SerialPorts"]

_CHUNK = 4096


class _Terminal:
    """The instrument's side of a pseudo-terminal; the other side stays open so that it lives on."""

    def __init__(self) -> None:
        self._own, self._other = os.openpty()
        tty.setraw(self._other)
        self.path = os.ttyname(self._other)

    def fileno(self) -> int:
        """Descriptor to wait on."""
        return self._own

    def receive(self) -> bytes:
        """Bytes that came."""
        return os.read(self._own, _CHUNK)

    def send(self, data: bytes) -> None:
        """Send what the port takes; a port nobody reads fills up and loses the rest."""
        view = memoryview(data)
        while view and select.select([], [self._own], [], 1.0)[1]:
            view = view[os.write(self._own, view[:_CHUNK]) :]

    def close(self, *, abruptly: bool) -> None:
        """Take the port away."""
        for descriptor in (self._own, self._other):
            with contextlib.suppress(OSError):
                os.close(descriptor)


class SerialPorts:
    """One pseudo-terminal for each instrument."""

    def __init__(
        self,
        instruments: Mapping[str, ScpiInstrument],
        rudeness: Mapping[str, Rudeness],
        clock: BenchTime,
    ) -> None:
        self.paths: dict[str, str] = {}
        self._served: list[Served] = []
        for name, instrument in instruments.items():
            terminal = _Terminal()
            self.paths[name] = terminal.path
            served = Served(instrument, rudeness[name], clock, terminal)
            self._served.append(served)
            served.start()

    def close(self) -> None:
        """Stop; may be called twice."""
        for served in self._served:
            served.end()
        self._served = []
