"""Making a session from an address: VISA library, lock, port, first contact."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

from runner.clock import Clock, SystemClock
from runner.errors import ConnectError
from runner.link.datagrams import DatagramPort, is_datagram
from runner.link.options import LinkOptions, SerialLine
from runner.link.ports import Port, SerialPort, port_for
from runner.link.session import Session
from runner.link.trace import Trace

__all__ = ["open_session", "visa_manager"]

_FLOW = {"none": 0, "xon-xoff": 1, "rts-cts": 2, "dtr-dsr": 4}


def visa_manager(library: Any) -> Any:
    """The VISA resource manager of a library object, a path, ``@py``; None asks PYVISA_LIBRARY.

    Managers are never closed: closing one closes the sessions of every other user of the library.

    :raises ConnectError: the library cannot be loaded
    """
    import pyvisa

    chosen = library or os.environ.get("PYVISA_LIBRARY") or "@py"
    try:
        return pyvisa.ResourceManager(chosen)
    except Exception as error:  # noqa: BLE001 - libraries raise what they like
        raise ConnectError(f"the VISA library {chosen!r} cannot be loaded ({error})") from None


def open_session(
    name: str,
    address: str,
    options: LinkOptions,
    clock: Clock,
    *,
    library: Any = None,
    trace: Trace | None = None,
    io_clock: Clock | None = None,
) -> Session:
    """A session that connects at its first use.

    ``library`` is an object, a name, or None for the usual choice. An object runs in this
    process on the bench's own time: it is trusted to return, and deadlines are bench time too,
    so that a slow computer changes nothing.
    """
    trusted = library is not None and not isinstance(library, str)
    io = io_clock or (clock if trusted else SystemClock())
    opener = _opener(name, address, options, library or options.library, io, trusted)
    return Session(name, opener, options, clock, io, trace or Trace(io))


def _opener(
    name: str, address: str, options: LinkOptions, library: Any, io: Clock, trusted: bool
) -> Callable[[float], Port]:
    def connect(within_s: float) -> Port:
        if is_datagram(address):
            return DatagramPort(address, io)
        manager = visa_manager(library)
        try:
            resource = manager.open_resource(address, open_timeout=int(within_s * 1000))
        except Exception as error:  # noqa: BLE001 - libraries raise what they like
            raise ConnectError(
                f"{name}: nothing can be opened at {address} ({_first_line(error)})"
            ) from None
        try:
            port = port_for(resource, io, trusted=trusted, read_end=options.read_end)
            if isinstance(port, SerialPort):
                _set_line(resource, options.serial)
        except Exception:
            resource.close()
            raise
        return port

    return connect


def _set_line(resource: Any, line: SerialLine) -> None:
    from pyvisa import constants

    resource.baud_rate = line.baud
    resource.data_bits = line.data_bits
    resource.parity = getattr(constants.Parity, line.parity)
    resource.stop_bits = constants.StopBits.one if line.stop_bits == 1 else constants.StopBits.two
    resource.flow_control = _FLOW[line.flow]


def _first_line(error: Exception) -> str:
    return (str(error).split("\n", maxsplit=1)[0] or type(error).__name__).strip()
