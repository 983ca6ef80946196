"""One conversation with one instrument: strictly write, then read, and never out of step.

A session has one owner at a time (a lock around each transaction), one deadline a transaction,
and one flag that decides everything: *in step* or not. The flag falls before the first byte is
sent and rises after the last byte was accounted for, so that whatever interrupts a transaction
(a deadline, junk, Ctrl-C, any exception at all) leaves the session marked, and the next use
proves it in step again before anything else is sent (see :mod:`runner.link.recovery`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from runner.clock import Clock
from runner.errors import ConnectError, DeadlineError, FramingError, InstrumentError
from runner.link.blocks import BlockShape, read_block
from runner.link.inbox import Inbox
from runner.link.numbers import clean, shown
from runner.link.options import LinkOptions
from runner.link.ports import Port
from runner.link.recovery import Recovery
from runner.link.trace import Trace
from runner.link.worsening import Worsening

__all__ = ["Counts", "Session"]

T = TypeVar("T")
_PADDING = b"\0\r\n\t "


@dataclass(slots=True)
class Counts:
    """What the report tells of a link's health."""

    transactions: int = 0
    repeats: int = 0
    recoveries: int = 0
    reopened: int = 0
    padding_bytes: int = 0
    unasked_bytes: int = 0


class Session:
    """An open link.

    ``opener`` makes a fresh connection. ``clock`` is the bench's time (pauses between messages),
    ``io_clock`` the computer's (deadlines). ``greet`` runs after each new connection that is in
    step: it brings back remote control and finds out whether the instrument was restarted.
    """

    def __init__(
        self,
        name: str,
        opener: Callable[[float], Port],
        options: LinkOptions,
        clock: Clock,
        io_clock: Clock,
        trace: Trace,
    ) -> None:
        self.name, self.options, self.trace = name, options, trace
        self.counts = Counts()
        self.greet: Callable[[], None] | None = None
        self._opener, self._clock, self._io = opener, clock, io_clock
        self._lock = threading.RLock()
        self._port: Port | None = None
        self._inbox = Inbox(name, lambda: self.port, options, io_clock, trace)
        self._in_step = False
        self._ready_at_s = 0.0
        self._last_use_s = io_clock.mono_s()
        self._echoes = options.echo == "yes"
        self._recovery = Recovery(self)
        self._worsening = Worsening()

    # ---- what instruments use -------------------------------------------------------------

    def write(self, command: str, within_s: float | None = None) -> None:
        """Send a message that has no answer (or the verdict word that the options name)."""
        with self._lock:
            until_s = self._begin(within_s)
            self._send(command, until_s)
            if self.options.verdict:
                self._take_verdict(command, until_s)
            self._end(self.options.after_write_s)

    def query(self, command: str, within_s: float | None = None, n_bytes: int = 0) -> str:
        """Ask once and return the reply's text, padding stripped.

        ``n_bytes`` is the reply's length where replies have no terminator.

        :raises DeadlineError: no complete answer in time
        :raises FramingError: more came than one answer
        """
        raw = self.query_raw(command, within_s, n_bytes)
        return raw.decode("latin-1") if n_bytes else clean(raw)

    def query_raw(self, command: str, within_s: float | None = None, n_bytes: int = 0) -> bytes:
        """Ask once and return the reply's bytes as they came."""
        with self._lock:
            until_s = self._begin(within_s)
            self._send(command, until_s)
            if self.options.before_read_s:
                self._clock.sleep(self.options.before_read_s)
            reply = self._reply(command, until_s, n_bytes)
            self._nothing_more()
            self._end(0.0)
            return reply

    def ask(
        self,
        command: str,
        decode: Callable[[str], T],
        within_s: float | None = None,
        *,
        n_bytes: int = 0,
        repeats: int = 1,
    ) -> T:
        """Ask, decode, and repeat a *harmless* question that was not answered properly.

        ``decode`` raises FramingError for a text that is no answer to the question.

        :raises BenchError: the last failure when all repeats failed
        :raises FramingError: an answer came, but the link needs ever more repeats
        """
        for attempt in range(repeats + 1):
            try:
                value = decode(self.query(command, within_s, n_bytes))
            except (FramingError, DeadlineError) as error:
                self.lose_step(str(error))
                if attempt == repeats:
                    raise
                self.counts.repeats += 1
            except ConnectError as error:
                self.lose_step(str(error))
                if attempt == repeats or self._recovery.exhausted:
                    raise
                self.counts.repeats += 1
            else:
                if worse := self._worsening.asked(attempt):
                    raise FramingError(f"{self.name}: {worse}")
                return value
        raise DeadlineError(f"{self.name}: no answer to {command!r}")

    def query_block(
        self, command: str, shape: BlockShape, within_s: float | None = None, n_blocks: int = 1
    ) -> list[bytes]:
        """Ask for one or more blocks, separated by one character, and return their contents.

        The message must end with the last block: any tail but one line end is a fault.

        :raises FramingError: malformed header, or bytes beyond the declared length
        :raises DeadlineError: fewer bytes than declared
        """
        with self._lock:
            until_s = self._begin(within_s)
            self._send(command, until_s)
            blocks: list[bytes] = []
            for index in range(n_blocks):
                if index:
                    self._inbox.exactly(1, until_s)
                blocks.append(self._block(shape, until_s))
            self._block_tail(until_s)
            self._end(0.0)
            return blocks

    def lose_step(self, why: str) -> None:
        """Mark the session: it is proved in step again before its next use."""
        self._in_step = False
        self.trace.note(f"out of step: {why}")

    @property
    def in_step(self) -> bool:
        """Whether the next message will be sent without proof."""
        return self._in_step

    def close(self) -> None:
        """Give the connection back; may be called twice."""
        with self._lock:
            if self._port is not None:
                self._port.close()
            self._port = None
            self._in_step = False

    # ---- what recovery uses ---------------------------------------------------------------

    def reopen(self, within_s: float) -> None:
        """Drop the connection, if there is one, and make a new one.

        :raises ConnectError: nobody there
        """
        if self._port is not None:
            self._port.close()
            self._port = None
            self.counts.reopened += 1
        self._inbox.take_all()
        self._port = self._opener(within_s)
        self.trace.note("connection opened")

    @property
    def is_open(self) -> bool:
        """Whether there is a connection, in step or not."""
        return self._port is not None

    def drop(self) -> None:
        """Give up the connection; the next use makes a new one."""
        if self._port is not None:
            self._port.close()
            self._port = None

    def in_step_for(self, call: Callable[[], None]) -> None:
        """Run the greeting on a connection that was just proved."""
        self._in_step = True
        self._last_use_s = self._io.mono_s()
        call()

    def now_s(self) -> float:
        """The link's own clock."""
        return self._io.mono_s()

    def wait(self, seconds: float) -> None:
        """Let real time pass."""
        self._io.sleep(seconds)

    def raw_send(self, data: bytes, until_s: float) -> None:
        """Send bytes as they are."""
        self._pace()
        self.trace.add(">", data)
        self.port.send(data, until_s)
        self._ready_at_s = self._clock.mono_s() + self.options.pace_s

    def raw_reply(self, until_s: float) -> str:
        """Return the next line, or what comes until silence where lines have no end."""
        if self.options.read_end:
            return self.raw_line(until_s)
        return clean(self._inbox.to_silence(until_s))

    def raw_line(self, until_s: float) -> str:
        """Return the next line, padding stripped; empty lines are passed over."""
        while True:
            text = clean(self._inbox.line(until_s))
            if text:
                return text

    def drain(self, silent_s: float, limit_s: float) -> bytes:
        """Throw away what comes until nothing came for ``silent_s``, at most ``limit_s`` long."""
        dropped = bytearray(self._inbox.take_all())
        stop_s = self._io.mono_s() + limit_s
        while (now_s := self._io.mono_s()) < stop_s:
            try:
                data, _ = self.port.receive(min(now_s + silent_s, stop_s))
            except DeadlineError:
                break
            dropped += data
        if dropped:
            self.counts.unasked_bytes += len(dropped)
            self.trace.add("<", bytes(dropped))
            self.trace.note(f"{len(dropped)} bytes thrown away")
        return bytes(dropped)

    @property
    def port(self) -> Port:
        """The connection.

        :raises ConnectError: there is none
        """
        if self._port is None:
            raise ConnectError(f"{self.name}: the connection is closed")
        return self._port

    def set_echo(self, echoes: bool) -> None:
        """Whether each message was seen to come back before its answer (serial lines)."""
        if self.options.echo == "auto":
            self._echoes = echoes

    # ---- one transaction --------------------------------------------------------------------

    def _begin(self, within_s: float | None) -> float:
        self._pace()
        now_s = self._io.mono_s()
        if not self._in_step or now_s - self._last_use_s > self.options.idle_check_s:
            self._in_step = False
            self._recovery.run()
            self._in_step = True
        elif len(self._inbox) or self.port.waiting():
            self._unasked()
        self._in_step = False
        self._pace()
        self.counts.transactions += 1
        return self._io.mono_s() + (self.options.timeout_s if within_s is None else within_s)

    def _end(self, pause_s: float) -> None:
        self._last_use_s = self._io.mono_s()
        if pause_s or self.options.pace_s:
            self._ready_at_s = self._clock.mono_s() + max(pause_s, self.options.pace_s)
        self._in_step = True

    def _pace(self) -> None:
        if self._ready_at_s:
            self._clock.sleep(self._ready_at_s - self._clock.mono_s())

    def _send(self, command: str, until_s: float) -> None:
        data = (command + self.options.write_end).encode("latin-1")
        self.trace.add(">", data)
        self._inbox.message_ended = False
        self.port.send(data, until_s)

    def _unasked(self) -> None:
        dropped = self.drain(0.001, 0.05)
        if dropped.strip(_PADDING) and self.options.unasked == "fault":
            self.lose_step("bytes came without a question")
            self._recovery.run()
            self._in_step = True

    def _reply(self, command: str, until_s: float, n_bytes: int) -> bytes:
        if n_bytes:
            reply = self._inbox.exactly(n_bytes, until_s)
        elif self.options.read_end:
            reply = self._inbox.line(until_s)
            if self._echoes and clean(reply) == command:
                reply = self._inbox.line(until_s)
        else:
            reply = self._inbox.to_silence(until_s)
        self.trace.add("<", reply)
        return reply

    def _nothing_more(self) -> None:
        rest = self._inbox.take_all()
        if not rest:
            if not self.port.waiting():
                return
            rest = self.drain(0.001, 0.05)
        if rest.strip(_PADDING) and self.options.unasked == "fault":
            self.trace.add("<", rest)
            raise FramingError(
                f"{self.name}: more than one answer came ({shown(clean(rest))} is too much)"
            )
        self.counts.padding_bytes += len(rest)

    def _take_verdict(self, command: str, until_s: float) -> None:
        word = clean(self._inbox.line(until_s))
        self.trace.add("<", word.encode("latin-1"))
        self._nothing_more()
        if word not in self.options.verdict:
            raise FramingError(f"{self.name}: {command!r} was answered with {shown(word)}")
        if word not in self.options.verdict_good:
            self._end(self.options.after_write_s)
            raise InstrumentError(f"{self.name}: {command!r} was refused ({word})")

    # ---- blocks -----------------------------------------------------------------------------

    def _block(self, shape: BlockShape, until_s: float) -> bytes:
        def to_end() -> bytes:
            line = self._inbox.line(until_s)
            return line.removesuffix(self.options.read_end.encode("latin-1"))

        data = read_block(
            lambda n: self._inbox.exactly(n, until_s), to_end, shape, self.options.block_cap
        )
        self.trace.add("<", f"(block of {len(data)} bytes) ".encode() + data[:32])
        return data

    def _block_tail(self, until_s: float) -> None:
        grace_s = min(until_s, self._io.mono_s() + self.options.quiet_s)
        while not self._inbox.message_ended and not self._inbox.ends_with(b"\n"):
            try:
                self._inbox.fill(grace_s)
            except DeadlineError:
                break
        rest = self._inbox.take_all()
        if rest.strip(b"\r\n") or len(rest) > 2:
            self.trace.add("<", rest[:64])
            raise FramingError(f"{self.name}: {len(rest)} bytes beyond the block's declared length")
