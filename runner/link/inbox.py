"""Bytes received and not yet taken: lines, counts, or everything until silence."""

from __future__ import annotations

from collections.abc import Callable

from runner.clock import Clock
from runner.errors import DeadlineError, FramingError
from runner.link.numbers import shown
from runner.link.options import LinkOptions
from runner.link.ports import CHUNK, Port
from runner.link.trace import Trace

__all__ = ["Inbox"]


class Inbox:
    """The receiving half of a session; ``port`` gives the connection in use."""

    def __init__(
        self, name: str, port: Callable[[], Port], options: LinkOptions, clock: Clock, trace: Trace
    ) -> None:
        self._name, self._port, self._options = name, port, options
        self._clock, self._trace = clock, trace
        self._buffer = bytearray()
        self.message_ended = False

    def __len__(self) -> int:
        return len(self._buffer)

    def take_all(self) -> bytes:
        """Everything that is here."""
        return self.take(len(self._buffer))

    def take(self, n: int) -> bytes:
        """The first ``n`` bytes."""
        taken = bytes(self._buffer[:n])
        del self._buffer[:n]
        return taken

    def ends_with(self, end: bytes) -> bool:
        """Whether the bytes that are here end so."""
        return self._buffer.endswith(end)

    def fill(self, until_s: float, at_most: int = CHUNK) -> None:
        """Wait for more."""
        data, self.message_ended = self._port().receive(until_s, at_most)
        self._buffer += data

    def line(self, until_s: float) -> bytes:
        """One line with its end, or the whole message where the transport marks its end.

        :raises DeadlineError: with what was received so far
        :raises FramingError: longer than the cap
        """
        end = self._options.read_end.encode("latin-1")
        searched = 0
        while (at := self._buffer.find(end, searched)) < 0:
            if self.message_ended and self._buffer:
                return self.take_all()
            if len(self._buffer) > self._options.text_cap:
                raise self._too_long()
            searched = max(0, len(self._buffer) - len(end) + 1)
            try:
                self.fill(until_s)
            except DeadlineError as error:
                raise self._unfinished(error) from None
        if at > self._options.text_cap:
            raise self._too_long()
        return self.take(at + len(end))

    def exactly(self, n: int, until_s: float) -> bytes:
        """The next ``n`` bytes.

        :raises DeadlineError: fewer came
        """
        while len(self._buffer) < n:
            try:
                self.fill(until_s, n - len(self._buffer))
            except DeadlineError:
                have = len(self._buffer)
                self._trace.add("<", bytes(self._buffer[:64]))
                raise DeadlineError(f"{self._name}: short reply: {have} of {n} bytes") from None
        return self.take(n)

    def to_silence(self, until_s: float) -> bytes:
        """What comes until nothing came for a while; for replies that have no end."""
        self.fill(until_s)
        while len(self._buffer) <= self._options.text_cap:
            try:
                self.fill(min(until_s, self._clock.mono_s() + self._options.quiet_s))
            except DeadlineError:
                if self._clock.mono_s() >= until_s:
                    break
                return self.take_all()
        raise self._too_long()

    def _too_long(self) -> FramingError:
        cap = self._options.text_cap
        return FramingError(f"{self._name}: the reply does not end within {cap} bytes")

    def _unfinished(self, error: DeadlineError) -> DeadlineError:
        if not self._buffer:
            return DeadlineError(f"{self._name}: {error}")
        self._trace.add("<", bytes(self._buffer))
        have = shown(self._buffer.decode("latin-1"))
        return DeadlineError(f"{self._name}: no terminator; received {have}")
