"""Instruments on TCP sockets, one port each; several benches may stand side by side."""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
from collections.abc import Mapping

from sim_instruments.bench_clock import BenchTime
from sim_instruments.manners import Rudeness
from sim_instruments.scpi.instrument import ScpiInstrument
from sim_instruments.served import Served

__all__ = ["Server"]

_CHUNK = 1 << 16
_LOOK_S = 0.05


class SocketWire:
    """A connected socket."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(10.0)
        self._socket = connection

    def fileno(self) -> int:
        """Descriptor to wait on."""
        return self._socket.fileno()

    def receive(self) -> bytes:
        """Bytes that came."""
        return self._socket.recv(_CHUNK)

    def send(self, data: bytes) -> None:
        """Send all of it."""
        self._socket.sendall(data)

    def close(self, *, abruptly: bool) -> None:
        """Close in order (FIN), or with a reset."""
        with contextlib.suppress(OSError):
            if abruptly:
                linger = struct.pack("ii", 1, 0)
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
            else:
                self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


class _Port:
    """Listens for one instrument and starts a thread for each connection."""

    def __init__(
        self, instrument: ScpiInstrument, rudeness: Rudeness, clock: BenchTime, host: str, port: int
    ) -> None:
        self._instrument, self._rudeness, self._clock = instrument, rudeness, clock
        self._host = host
        self._listener: socket.socket | None = _listen(host, port)
        self.number: int = self._listener.getsockname()[1]
        self._ending = threading.Event()
        self._served: list[Served] = []
        self._free_from_s = float("-inf")
        self._thread = threading.Thread(target=self._accept, daemon=True, name="listening port")
        self._thread.start()

    @property
    def open_connections(self) -> int:
        """How many clients are connected now."""
        return sum(not one.over for one in self._served)

    def close(self) -> None:
        """Stop listening and end all connections."""
        self._ending.set()
        self._thread.join(timeout=5.0)
        for served in self._served:
            served.end()

    def _accept(self) -> None:
        while not self._ending.is_set():
            self._open_or_shut()
            if self._listener is None or self._occupied():
                self._ending.wait(_LOOK_S)
                continue
            if not select.select([self._listener], [], [], _LOOK_S)[0]:
                continue
            with contextlib.suppress(OSError):
                connection, _ = self._listener.accept()
                wire = SocketWire(connection)
                served = Served(self._instrument, self._rudeness, self._clock, wire)
                self._served = [one for one in self._served if not one.over] + [served]
                served.start()
        if self._listener is not None:
            self._listener.close()

    def _open_or_shut(self) -> None:
        """A refused connection needs a port that nobody listens on."""
        refuses = self._rudeness.refuses(self._clock.mono_s())
        if refuses and self._listener is not None:
            self._listener.close()
            self._listener = None
        elif not refuses and self._listener is None:
            with contextlib.suppress(OSError):
                self._listener = _listen(self._host, self.number)

    def _occupied(self) -> bool:
        """One client only: others wait in the queue until its place is free."""
        rule = self._rudeness.first("one-client", self._clock.mono_s())
        if rule is None:
            return False
        now_s = self._clock.mono_s()
        if any(not one.over for one in self._served):
            self._free_from_s = now_s + rule.seconds("hold")
            return True
        return now_s < self._free_from_s


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(8)
    except OSError:
        listener.close()
        raise
    return listener


class Server:
    """All instruments of one bench, on `port_base` and the ports after it (0: any free ones)."""

    def __init__(
        self,
        instruments: Mapping[str, ScpiInstrument],
        rudeness: Mapping[str, Rudeness],
        clock: BenchTime,
        *,
        port_base: int = 0,
        host: str = "127.0.0.1",
    ) -> None:
        self._ports: dict[str, _Port] = {}
        try:
            for n, (name, instrument) in enumerate(instruments.items()):
                number = port_base + n if port_base else 0
                self._ports[name] = _Port(instrument, rudeness[name], clock, host, number)
        except OSError:
            self.close()
            raise

    @property
    def ports(self) -> dict[str, int]:
        """Port number of each instrument."""
        return {name: port.number for name, port in self._ports.items()}

    @property
    def open_connections(self) -> dict[str, int]:
        """How many clients each instrument has now."""
        return {name: port.open_connections for name, port in self._ports.items()}

    def close(self) -> None:
        """Stop everything; may be called twice."""
        for port in self._ports.values():
            port.close()
