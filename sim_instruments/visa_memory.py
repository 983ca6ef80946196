"""Instruments in memory, reached through pyvisa-sim as live devices.

pyvisa-sim looks answers up in a table; here its device is given an instrument that lives, under
the canonical resource name. Waiting costs bench time only: a read that must wait moves the
clock to the moment when something arrives, or to its own timeout.
"""

from __future__ import annotations

import itertools
from typing import Any

from pyvisa import constants, errors, rname
from pyvisa.util import LibraryPath
from pyvisa_sim.devices import Device, Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from sim_instruments.bench_clock import BenchTime
from sim_instruments.manners import Manners, Rudeness
from sim_instruments.scpi.exchange import Exchange
from sim_instruments.scpi.instrument import ScpiInstrument

__all__ = ["LiveDevice", "MemoryLibrary", "memory_library"]

_BENCH_NUMBERS = itertools.count(1)
_INFINITE_MS = 0xFFFFFFFF
_Attribute = constants.ResourceAttribute
_Status = constants.StatusCode


class LiveDevice(Device):  # type: ignore[misc]  # pyvisa-sim carries no types
    """A pyvisa-sim device with an instrument behind it."""

    def __init__(self, name: str, instrument: ScpiInstrument, rudeness: Rudeness) -> None:
        super().__init__(name, b"")
        for bus in ("TCPIP SOCKET", "TCPIP INSTR", "ASRL INSTR", "USB INSTR", "GPIB INSTR"):
            self.add_eom(bus, "\n", "\n")
        self.instrument, self.rudeness = instrument, rudeness
        self.message_based = False
        self.sessions_open = 0
        self.buffer = bytearray()
        self.broken: constants.StatusCode | None = None
        self.exchange: Exchange | None = None

    def connect(self) -> constants.StatusCode:
        """Open a connection, or say why not."""
        now_s = self.instrument.now_s
        if self.rudeness.refuses(now_s):
            return _Status.error_connection_lost
        if self.sessions_open and self.rudeness.first("one-client", now_s):
            return _Status.error_resource_busy
        self.sessions_open += 1
        self.buffer.clear()
        self.broken = None
        self.exchange = Exchange(
            self.instrument,
            Manners(self.rudeness, self.instrument),
            message_based=self.message_based,
        )
        self.exchange.greet()
        return _Status.success

    def disconnect(self) -> None:
        """Close a connection."""
        self.sessions_open -= 1

    def write(self, data: bytes) -> None:
        """Take bytes from the controller."""
        if self.exchange is None or self.rudeness.first("not-reading", self.instrument.now_s):
            return
        with self.instrument.lock:
            self.exchange.receive(data)

    def read(self) -> tuple[bytes, bool]:
        """Give one byte and whether it ends the answer, as pyvisa-sim's own sessions ask."""
        self.fill()
        if not self.buffer:
            return b"", False
        byte = bytes(self.buffer[:1])
        del self.buffer[:1]
        return byte, not self.buffer

    def fill(self) -> float | None:
        """Move what has arrived by now into the buffer; give the moment of the next arrival."""
        if self.exchange is None:
            return None
        with self.instrument.lock:
            next_s = self.exchange.advance()
            while (piece := self.exchange.take()) is not None:
                self.buffer += piece.data
                if piece.action == "raise":
                    raise RuntimeError("transport out of step")
                if piece.action:
                    self.broken = _Status.error_connection_lost
                next_s = self.exchange.advance()
        return next_s


class MemoryLibrary(SimVisaLibrary):  # type: ignore[misc]
    """A VISA library whose devices live; one object per bench.

    Made by :func:`memory_library`.
    """

    clock: BenchTime

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()
        self._handles = itertools.count(1)

    def _register(self, obj: Any) -> int:
        handle = next(self._handles)
        self.sessions[handle] = obj
        return handle

    def add(self, resource_name: str, device: LiveDevice) -> str:
        """Put a device under a resource name; give the canonical name."""
        parsed = rname.parse_resource_name(resource_name)
        device.message_based = parsed.resource_class == "INSTR" and (
            parsed.interface_type_const != constants.InterfaceType.asrl
        )
        self.devices.add_device(str(parsed), device)
        return str(parsed)

    def open(
        self, session: Any, resource_name: str, access_mode: Any = 0, open_timeout: Any = 0
    ) -> tuple[Any, constants.StatusCode]:
        """Open a session to a device."""
        handle, status = super().open(session, resource_name, access_mode, open_timeout)
        if status != _Status.success:
            raise errors.VisaIOError(status)
        status = self.sessions[handle].device.connect()
        if status != _Status.success:
            del self.sessions[handle]
            raise errors.VisaIOError(status)
        return handle, status

    def close(self, session: Any) -> constants.StatusCode:
        """Close a session."""
        device = getattr(self.sessions.get(session), "device", None)
        if isinstance(device, LiveDevice):
            device.disconnect()
        status: constants.StatusCode = super().close(session)
        return status

    def read(self, session: Any, count: int) -> tuple[bytes, constants.StatusCode]:
        """Read up to the end of the answer, the termination character, or `count` bytes."""
        live = self.sessions[session]
        device: LiveDevice = live.device
        termchar = _termination(live)
        timeout_ms = live.attrs.get(_Attribute.timeout_value, 2000)
        device.fill()
        if device.exchange and not device.buffer:
            device.exchange.nothing_to_read()
        end_s = self.clock.mono_s() + timeout_ms / 1000
        while True:
            next_s = device.fill()
            taken = _take(device, count, termchar)
            if taken is not None:
                return taken
            if device.broken is not None:
                raise errors.VisaIOError(device.broken)
            if next_s is None or next_s > end_s:
                break
            self.clock.sleep_until(next_s)
        if timeout_ms != _INFINITE_MS:
            self.clock.sleep_until(end_s)
        device.buffer.clear()  # as with every backend, the partial answer is gone
        raise errors.VisaIOError(_Status.error_timeout)

    def write(self, session: Any, data: bytes) -> tuple[int, constants.StatusCode]:
        """Write to the device; an unread answer is overtaken on message-based buses."""
        device: LiveDevice = self.sessions[session].device
        device.fill()
        if device.broken is not None:
            raise errors.VisaIOError(device.broken)
        if device.message_based and device.buffer and device.exchange:
            device.buffer.clear()
            device.instrument.status.fail(-410)
        device.write(data)
        return len(data), _Status.success

    def clear(self, session: Any) -> constants.StatusCode:
        """Device clear; on a stream it only empties the buffers."""
        device: LiveDevice = self.sessions[session].device
        device.fill()
        device.buffer.clear()
        if device.exchange and device.message_based:
            with device.instrument.lock:
                device.exchange.device_clear()
        return _Status.success

    def flush(self, session: Any, mask: Any) -> constants.StatusCode:
        """Discard what was received."""
        device: LiveDevice = self.sessions[session].device
        device.fill()
        device.buffer.clear()
        return _Status.success

    def read_stb(self, session: Any) -> tuple[int, constants.StatusCode]:
        """Serial poll."""
        device: LiveDevice = self.sessions[session].device
        device.fill()
        device.instrument.refresh()
        return device.instrument.status.byte(bool(device.buffer)), _Status.success


def _termination(live: Any) -> int | None:
    """Character that ends a read on this session; serial ports end at LF by default."""
    attrs = live.attrs
    if attrs.get(_Attribute.termchar_enabled) or (
        attrs[_Attribute.interface_type] == constants.InterfaceType.asrl
        and attrs.get(_Attribute.asrl_end_in, constants.SerialTermination.termination_char)
        == constants.SerialTermination.termination_char
    ):
        return int(attrs.get(_Attribute.termchar, 10))
    return None


def _take(
    device: LiveDevice, count: int, termchar: int | None
) -> tuple[bytes, constants.StatusCode] | None:
    buffer = device.buffer
    end = buffer.find(termchar, 0, count) if termchar is not None else -1
    if end >= 0:
        size, status = end + 1, _Status.success_termination_character_read
        if device.message_based and size == len(buffer):
            status = _Status.success
    elif len(buffer) >= count:
        size, status = count, _Status.success_max_count_read
    elif buffer and _ends(device) and not (device.exchange and device.exchange.has_output):
        size, status = len(buffer), _Status.success
    else:
        return None
    data = bytes(buffer[:size])
    del buffer[:size]
    return data, status


def _ends(device: LiveDevice) -> bool:
    """Whether a pause ends a read: a message bus marks the end, without line ends there is none."""
    return device.message_based or not device.instrument.reply_end


def memory_library(clock: BenchTime) -> MemoryLibrary:
    """Make an empty library for one bench."""
    path = LibraryPath(f"bench-in-memory-{next(_BENCH_NUMBERS)}")
    library = MemoryLibrary(path)
    library.clock = clock
    return library
