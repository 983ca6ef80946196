"""A scripted instrument on a real socket or pseudo-terminal: it says exactly what it is told.

It is no simulator: it knows no instrument. A script is a function from each received line to
bytes, a list of pieces with pauses, or an action. Nonce exchanges (`*ESE n;*ESE?`) are
answered by themselves unless the script takes them over.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = ["FIN", "MUTE", "RST", "Pause", "Scripted", "ScriptedSerial"]

FIN, RST, MUTE = "fin", "rst", "mute"


@dataclass(frozen=True)
class Pause:
    """Wait before the next piece (s)."""

    seconds: float


Step = bytes | Pause | str
Answer = Step | Iterable[Step] | None
Script = Mapping[str, Any] | Callable[[str], Answer]


@dataclass
class _Client:
    ese: int = 0
    mute: bool = False
    lines: list[str] = field(default_factory=list)


class Scripted:
    """A TCP server that plays a script.

    ``end`` is what ends a received line; ``greeting`` is sent on connect; ``nonce`` False turns
    the built-in answer to the synchronising question off. ``connections`` counts them,
    ``open_now`` those still open, ``log`` holds all lines received.
    """

    def __init__(
        self,
        script: Script,
        *,
        end: bytes = b"\n",
        greeting: Answer = None,
        nonce: bool = True,
        first_line_only: bool = False,
        most_clients: int | None = None,
        deaf_until_s: float = 0.0,
    ) -> None:
        self.script, self.end, self.greeting, self.nonce = script, end, greeting, nonce
        self.first_line_only, self.most_clients = first_line_only, most_clients
        self.connections = 0
        self.open_now = 0
        self.log: list[str] = []
        self.reading = True
        self.refuse = False
        self._gate = threading.Lock()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._stop = threading.Event()
        self._sockets: set[socket.socket] = set()
        self.port = self._server.getsockname()[1]
        self.address = f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def __enter__(self) -> Scripted:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        if self.most_clients is None and self.reading:
            self._let_clients_leave()
        self._stop.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for one in list(self._sockets):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        if self.most_clients is not None:
            for one in list(self._sockets):
                one.close()
        for thread in self._threads:
            thread.join(timeout=2.0)

    def _let_clients_leave(self) -> None:
        """What a client sent before it left is read, so that the log is whole."""
        end_s = time.monotonic() + 0.5
        while self.open_now and time.monotonic() < end_s:
            time.sleep(0.001)

    def _accept(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            if self.refuse:
                _reset(client)
                continue
            if self.most_clients is not None and self.open_now >= self.most_clients:
                self._sockets.add(client)  # left unserved, as a backlog leaves it
                continue
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.connections += 1
            self.open_now += 1
            self._sockets.add(client)
            thread = threading.Thread(target=self._serve, args=(client,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, client: socket.socket) -> None:
        state = _Client()
        try:
            if self.greeting is not None and not _play(
                client.sendall, client, self.greeting, state
            ):
                return
            pending = bytearray()
            while not self._stop.is_set():
                if not self.reading:
                    self._stop.wait(0.02)
                    continue
                if self.first_line_only:
                    time.sleep(0.02)  # so that lines sent at once arrive as one packet
                data = client.recv(65536)
                if not data:
                    return
                pending += data
                if self.end not in data:
                    continue
                lines = bytes(pending).split(self.end)
                pending = bytearray(lines.pop())
                if self.first_line_only and not any(b"*ESE" in line for line in lines):
                    lines, pending = lines[:1], bytearray()
                for line in lines:
                    if not self._answer(client, line.decode("latin-1"), state):
                        return
        except OSError:
            return
        finally:
            self.open_now -= 1
            self._sockets.discard(client)
            client.close()

    def _answer(self, client: socket.socket, line: str, state: _Client) -> bool:
        self.log.append(line)
        if state.mute:
            return True
        answer = reply_to(self.script, line, state, self.nonce)
        return _play(client.sendall, client, answer, state)


class ScriptedSerial:
    """The same on a pseudo-terminal; ``echo`` sends every byte back first."""

    def __init__(
        self,
        script: Script,
        *,
        end: bytes = b"\n",
        echo: bool = False,
        greeting: Answer = None,
        nonce: bool = True,
        length_of: Callable[[bytes], int] | None = None,
    ) -> None:
        import pty
        import tty

        self.script, self.end, self.echo, self.nonce = script, end, echo, nonce
        self.length_of = length_of
        self._master, slave = pty.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self.address = f"ASRL{os.ttyname(slave)}::INSTR"
        self._slave = slave
        self.log: list[str] = []
        self._stop = threading.Event()
        self.greeting = greeting
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def __enter__(self) -> ScriptedSerial:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(timeout=2.0)
        for fd in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)

    def _serve(self) -> None:
        state = _Client()
        send = lambda data: os.write(self._master, data)  # noqa: E731
        if self.greeting is not None:
            _play(send, None, self.greeting, state)
        pending = b""
        while not self._stop.is_set():
            if not select.select([self._master], [], [], 0.02)[0]:
                if self.length_of is not None and pending:  # no terminator: silence ends a command
                    self._one(send, pending, state)
                    pending = b""
                continue
            try:
                data = os.read(self._master, 4096)
            except OSError:
                return
            if self.echo:
                send(data)
            pending += data
            if self.length_of is None:
                *lines, pending = pending.split(self.end)
                for line in lines:
                    self._one(send, line, state)

    def _one(self, send: Callable[[bytes], Any], line: bytes, state: _Client) -> None:
        self.log.append(line.decode("latin-1"))
        if not state.mute:
            _play(send, None, reply_to(self.script, self.log[-1], state, self.nonce), state)


def reply_to(script: Script, line: str, state: _Client, nonce: bool) -> Answer:
    """What the script says to this line."""
    if nonce:
        if found := re.fullmatch(r"\*ESE (\d+)", line):
            state.ese = int(found[1])
            return None
        if line == "*ESE?":
            return f"{state.ese}\n".encode()
    if callable(script):
        return script(line)
    answer = script.get(line, {"*ESR?": b"0\n", "SYST:ERR?": b'0,"No error"\n'}.get(line))
    return answer() if callable(answer) else answer


def _play(
    send: Callable[[bytes], Any], client: socket.socket | None, answer: Answer, state: _Client
) -> bool:
    steps = [answer] if isinstance(answer, bytes | str | Pause) else list(answer or [])
    for step in steps:
        if isinstance(step, Pause):
            time.sleep(step.seconds)
        elif isinstance(step, bytes):
            send(step)
        elif step == MUTE:
            state.mute = True
        elif step == RST and client is not None:
            _reset(client)
            return False
        elif step == FIN:
            return False
    return True


def _reset(client: socket.socket) -> None:
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    client.close()
