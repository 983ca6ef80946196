"""Where bytes go out and come in: every call has a moment by which it must be over.

Three kinds. Where pyvisa-py holds a plain socket or a serial port, that is read here, because
the library's own loops test their timeout only while no byte comes and write without any
(a peer that trickles, or does not read, would hold the program for ever). Everything else goes
through the VISA library, in a worker thread when the library might not return.
"""

from __future__ import annotations

import os
import select
import socket
import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Any, Protocol

from runner.clock import Clock
from runner.errors import ConnectError, DeadlineError

__all__ = [
    "CHUNK",
    "Port",
    "SerialPort",
    "SocketPort",
    "VisaPort",
    "Worker",
    "port_for",
    "receive_within",
]

CHUNK = 65_536
_OVERRUN_S = 1.0
_ASRL = 4  # VI_INTF_ASRL


class Port(Protocol):
    """One connection. ``until_s`` is a moment of the link's own clock."""

    def send(self, data: bytes, until_s: float) -> None:
        """Send all bytes.

        :raises DeadlineError: the peer did not take them in time
        :raises ConnectError: the connection is gone
        """
        ...

    def receive(self, until_s: float, at_most: int = CHUNK) -> tuple[bytes, bool]:
        """At least one byte, and whether the transport marked the end of the message.

        :raises DeadlineError: nothing came in time
        :raises ConnectError: the connection is gone
        """
        ...

    def waiting(self) -> bool:
        """Whether bytes lie unread, as far as that can be told without waiting."""
        ...

    def clear(self, until_s: float) -> None:
        """Send the transport's device clear, where it has one."""
        ...

    def close(self) -> None:
        """Give the connection back; never raises, may be called twice."""
        ...


def receive_within(sock: socket.socket, until_s: float, n: int, clock: Clock) -> bytes:
    """What one read of a socket gives by ``until_s``; empty where the peer has closed a stream.

    :raises DeadlineError: nothing came in time
    :raises ConnectError: the connection is gone
    """
    left_s = until_s - clock.mono_s()
    if left_s <= 0:
        raise DeadlineError("no complete answer in time")
    sock.settimeout(left_s)
    try:
        return sock.recv(n)
    except TimeoutError:
        raise DeadlineError("no complete answer in time") from None
    except OSError as error:
        raise ConnectError(f"the connection broke ({_why(error)})") from None


class SocketPort:
    """A connected stream socket that the VISA library opened."""

    def __init__(self, sock: socket.socket, release: Callable[[], None], clock: Clock) -> None:
        self._sock, self._release, self._clock = sock, release, clock
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        refused = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refused:
            self.close()
            raise ConnectError(f"the connection was refused ({os.strerror(refused)})")

    def send(self, data: bytes, until_s: float) -> None:
        """Send all bytes (see :class:`Port`)."""
        self._sock.settimeout(max(until_s - self._clock.mono_s(), 0.001))
        try:
            self._sock.sendall(data)
        except TimeoutError:
            raise DeadlineError("the instrument did not take the message in time") from None
        except OSError as error:
            raise ConnectError(f"the connection broke while sending ({_why(error)})") from None

    def receive(self, until_s: float, at_most: int = CHUNK) -> tuple[bytes, bool]:
        """Return what came (see :class:`Port`)."""
        data = receive_within(self._sock, until_s, max(at_most, 4096), self._clock)
        if not data:
            raise ConnectError("the instrument closed the connection")
        return data, False

    def waiting(self) -> bool:
        """Whether bytes lie unread."""
        try:
            return bool(select.select([self._sock], [], [], 0)[0])
        except (OSError, ValueError):
            return True

    def clear(self, until_s: float) -> None:
        """A raw socket has none."""

    def close(self) -> None:
        """Give the connection back."""
        try:
            self._release()
        except Exception:  # noqa: BLE001 - a library's failure to close must not hide the cause
            self._sock.close()


class SerialPort:
    """A pyserial port that the VISA library opened."""

    def __init__(self, line: Any, release: Callable[[], None], clock: Clock) -> None:
        self._line, self._release, self._clock = line, release, clock

    def send(self, data: bytes, until_s: float) -> None:
        """Send all bytes (see :class:`Port`)."""
        try:
            self._line.write_timeout = max(until_s - self._clock.mono_s(), 0.001)
            self._line.write(data)
        except OSError as error:
            if "timeout" in str(error).lower():
                raise DeadlineError("the serial line did not take the message in time") from None
            raise ConnectError(f"the serial line broke while sending ({_why(error)})") from None

    def receive(self, until_s: float, at_most: int = CHUNK) -> tuple[bytes, bool]:
        """Return what came (see :class:`Port`)."""
        left_s = until_s - self._clock.mono_s()
        if left_s <= 0:
            raise DeadlineError("no complete answer in time")
        try:
            self._line.timeout = left_s
            data = bytes(self._line.read(1))
            if data:
                data += bytes(self._line.read(self._line.in_waiting or 0))
        except (OSError, TypeError) as error:
            raise ConnectError(f"the serial line broke ({_why(error)})") from None
        if not data:
            raise DeadlineError("no complete answer in time")
        return data, False

    def waiting(self) -> bool:
        """Whether bytes lie unread."""
        try:
            return bool(self._line.in_waiting)
        except (OSError, TypeError):
            return True

    def clear(self, until_s: float) -> None:
        """A serial line has none."""

    def close(self) -> None:
        """Give the connection back."""
        try:
            self._release()
        except Exception:  # noqa: BLE001 - as above
            self._line.close()


class Worker:
    """Runs calls one at a time in a thread of its own, so that a call may be given up."""

    def __init__(self) -> None:
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self.abandoned = False
        threading.Thread(target=self._work, name="visa calls", daemon=True).start()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()

    def run(self, call: Callable[[], Any], within_s: float) -> Any:
        """The call's result or exception; after ``within_s`` it is left to its fate.

        :raises DeadlineError: the call has not returned; the worker is of no use from then on
        """
        if self.abandoned:
            raise ConnectError("an earlier call into the VISA library never returned")
        done: SimpleQueue[tuple[Any, BaseException | None]] = SimpleQueue()

        def job() -> None:
            try:
                done.put((call(), None))
            except BaseException as error:  # noqa: BLE001 - handed to the caller as it is
                done.put((None, error))

        self._jobs.put(job)
        try:
            result, error = done.get(timeout=within_s)
        except Empty:
            self.abandoned = True
            raise DeadlineError("a call into the VISA library did not return") from None
        if error is not None:
            raise error
        return result

    def stop(self) -> None:
        """Let the thread end when it is idle."""
        self._jobs.put(None)


class VisaPort:
    """Any other VISA resource; one read ends with the message or with a full chunk."""

    def __init__(self, resource: Any, clock: Clock, worker: Worker | None, read_end: str) -> None:
        self._resource, self._clock, self._worker = resource, clock, worker
        self._library, self._handle = resource.visalib, resource.session
        self._timeout_ms = -1
        self._ahead = b""
        self._library.issue_warning_on.clear()
        self._end_at_lines(read_end)

    def _end_at_lines(self, read_end: str) -> None:
        # A stream has no END of its own: its reads stop at the line's last character. Message
        # transports do have one, and a line end may be data there.
        serial = int(self._resource.interface_type) == _ASRL
        self._stream = serial or str(self._resource.resource_class).upper() == "SOCKET"
        self._resource.read_termination = read_end[-1:] if self._stream and read_end else None

    def _call(self, call: Callable[[], Any], until_s: float, timeout_ms: int | None = None) -> Any:
        left_s = max(0.0, until_s - self._clock.mono_s())
        if left_s <= 0 and timeout_ms is None:
            raise DeadlineError("no complete answer in time")
        wanted_ms = _rounded_ms(left_s) if timeout_ms is None else timeout_ms

        def timed() -> Any:
            if wanted_ms != self._timeout_ms:
                self._resource.timeout = wanted_ms
                self._timeout_ms = wanted_ms
            return call()

        try:
            return timed() if self._worker is None else self._worker.run(timed, left_s + _OVERRUN_S)
        except (DeadlineError, ConnectError):
            raise
        except Exception as error:
            if "timeout" in f"{type(error).__name__} {error}".lower():
                raise DeadlineError("no complete answer in time") from error
            raise ConnectError(f"the VISA library reports: {_why(error)}") from error

    def send(self, data: bytes, until_s: float) -> None:
        """Send all bytes (see :class:`Port`)."""
        self._call(lambda: self._library.write(self._handle, data), until_s)

    def receive(self, until_s: float, at_most: int = CHUNK) -> tuple[bytes, bool]:
        """Return what came (see :class:`Port`)."""
        if self._ahead:
            taken, self._ahead = self._ahead[:at_most], self._ahead[at_most:]
            return taken, False
        n = min(at_most, CHUNK)
        data, status = self._call(lambda: self._library.read(self._handle, n), until_s)
        return bytes(data), int(status) == 0  # VI_SUCCESS alone means END

    def waiting(self) -> bool:
        """Whether bytes lie unread; only a stream is asked, with a read that does not wait."""
        if self._ahead or not self._stream:
            return bool(self._ahead)
        now_s = self._clock.mono_s()
        try:
            data, _ = self._call(lambda: self._library.read(self._handle, CHUNK), now_s, 0)
        except DeadlineError:
            return False
        self._ahead = bytes(data)
        return bool(data)

    def clear(self, until_s: float) -> None:
        """Send a device clear."""
        self._call(lambda: self._library.clear(self._handle), until_s)

    def close(self) -> None:
        """Give the connection back."""
        try:
            if self._worker is None:
                self._resource.close()
                return
            if not self._worker.abandoned:
                self._worker.run(self._resource.close, 2.0)
            self._worker.stop()
        except Exception:  # noqa: BLE001 - nothing is left that could be done
            pass


def _rounded_ms(left_s: float) -> int:
    """A timeout of at least this long, in steps, so that most calls find it already set."""
    wanted_ms = 16
    while wanted_ms < left_s * 1000.0 and wanted_ms < 600_000:
        wanted_ms *= 2
    return wanted_ms


def port_for(resource: Any, clock: Clock, *, trusted: bool, read_end: str = "\n") -> Port:
    """Choose the port for an open VISA resource.

    ``trusted`` says that the library runs in this process and returns.
    """
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    inner = getattr(session, "interface", None)
    if isinstance(inner, socket.socket) and inner.type == socket.SOCK_STREAM:
        return SocketPort(inner, resource.close, clock)
    if type(inner).__module__.startswith("serial"):
        return SerialPort(inner, resource.close, clock)
    return VisaPort(resource, clock, None if trusted else Worker(), read_end)


def _why(error: BaseException) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error).split("\n", maxsplit=1)[0] or type(error).__name__
