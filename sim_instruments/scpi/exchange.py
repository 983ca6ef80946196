"""One connection to an instrument: bytes in, program messages, answers, bytes out.

Follows the message exchange of IEEE 488.2 chapter 6: all answers of one program message form one
response message joined by `;`. A message-based connection (VXI-11, USB, GPIB) also keeps its
rules about order: a new message before the answer was read is −410, reading where nothing was
asked is −420. A byte stream (socket, serial) cannot know either.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

from sim_instruments.manners import Manners, Piece
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Bound, Later, ScpiInstrument

__all__ = ["Exchange"]

_INPUT_LIMIT = 1 << 20
_OPEN_WAIT_S = 0.01


@dataclass(slots=True)
class _Outgoing:
    at_s: float
    piece: Piece


class Exchange:
    """Feeds one instrument from one connection. Not thread-safe: hold `instrument.lock`."""

    def __init__(
        self, instrument: ScpiInstrument, manners: Manners, *, message_based: bool
    ) -> None:
        self.instrument, self.manners, self.message_based = instrument, manners, message_based
        self._input = bytearray()
        self._messages: deque[str] = deque()
        self._units: deque[Bound] = deque()
        self._current = ""
        self._answers: list[bytes] = []
        self._indefinite = False
        self._later: tuple[Bound, Later] | None = None
        self._wire: deque[_Outgoing] = deque()
        self._working = False

    # --- from the connection

    def receive(self, data: bytes) -> None:
        """Take bytes from the controller and start on every message that they complete."""
        now_s = self.instrument.now_s
        for piece in self.manners.echo(data):
            self._send(now_s, piece)
        self._input += data
        if self.instrument.line_ends and b"\n" not in data and len(self._input) < _INPUT_LIMIT:
            return
        messages = self._complete_messages()
        for message in self.manners.admit(messages, now_s):
            self._arrive(message)
        self.advance()

    def greet(self) -> None:
        """Send what the instrument says unasked when somebody connects."""
        for piece in self.manners.greeting(self.instrument.now_s):
            self._send(self.instrument.now_s, piece)

    def advance(self) -> float | None:
        """Do all that is due; give the moment of the next thing to happen, None if nothing."""
        if self._working:
            return None
        self._working = True
        try:
            for piece in self.manners.unasked(self.instrument.now_s):
                self._send(self.instrument.now_s, piece)
            while self._step():
                pass
        finally:
            self._working = False
        moments = [item.at_s for item in self._wire][:1]
        if self._later is not None:
            moments.append(self._later[1].ready_s)
        return min(moments, default=None)

    def take(self) -> Piece | None:
        """Give the next piece that is on the wire by now."""
        if self._wire and self._wire[0].at_s <= self.instrument.now_s:
            return self._wire.popleft().piece
        return None

    def nothing_to_read(self) -> None:
        """The controller reads though nothing was asked: −420 where that can be told."""
        if self.message_based and not self._wire and self._later is None:
            self.instrument.status.fail(-420)

    def device_clear(self) -> None:
        """Forget input, work and output (IEEE 488.2, 5.8); settings stay."""
        self._input.clear()
        self._messages.clear()
        self._drop_response()
        self.instrument.clear_device()

    @property
    def has_output(self) -> bool:
        """True while an answer waits to be read (MAV)."""
        return bool(self._wire)

    @property
    def held_back_s(self) -> float:
        """How long the next thing to happen must be waited for in real time, too.

        Bad manners on the wire delay in earnest, and so does waiting for what may never come.
        """
        if self._wire:
            return self._wire[0].piece.after_s
        return _OPEN_WAIT_S if self._later is not None and self._later[1].open_ended else 0.0

    # --- inside

    def _complete_messages(self) -> list[str]:
        messages: list[str] = []
        if not self.instrument.line_ends:
            messages.append(self._input.decode("latin-1"))
            self._input.clear()
        while (end := _message_end(self._input)) >= 0:
            messages.append(self._input[:end].decode("latin-1"))
            del self._input[: end + 1]
        if len(self._input) >= _INPUT_LIMIT:
            self._input.clear()
            self.instrument.status.fail(-363)
        return messages

    def _arrive(self, message: str) -> None:
        unread = bool(self._wire) or (self._later is not None and self._later[0].unit.query)
        if unread and (self.message_based or self.manners.interrupts):
            self._drop_response()
            self.instrument.status.fail(-410)
        self._messages.append(message)

    def _drop_response(self) -> None:
        self._wire.clear()
        self._answers.clear()
        self._units.clear()
        self._later = None

    def _step(self) -> bool:
        """Do one thing; False when there is nothing more to do at this moment."""
        if self._later is not None:
            bound, later = self._later
            if later.ready_s > self.instrument.now_s:
                return False
            self._later = None
            self._guard(bound, later.finish)
            return True
        if self._units:
            self._begin(self._units.popleft())
            return True
        if self._answers:
            self._respond()
            return True
        if not self._messages:
            return False
        self._current = self._messages.popleft()
        self._indefinite = False
        self.instrument.heard.append((self.instrument.now_s, self._current))
        self.manners.before(self._current, self.instrument)
        self._units.extend(self.instrument.bind(self._current))
        return True

    def _begin(self, bound: Bound) -> None:
        if bound.unit.query and self._indefinite:
            self.instrument.status.fail(-440)
            return
        if bound.unit.path == ("*STB",) and bound.unit.query and not bound.unit.data:
            self.instrument.refresh()
            self._answers.append(b"%d" % self.instrument.status.byte(bool(self._answers)))
            return
        self._guard(bound, lambda: self.instrument.carry_out(bound))

    def _guard(self, bound: Bound, work: Any) -> None:
        try:
            outcome = work()
        except ScpiError as error:
            self.instrument.status.fail(error.number)
            if error.is_command_error:
                self._units.clear()
            self._comment(bound, error.number)
            return
        if isinstance(outcome, Later):
            self._later = (bound, outcome)
        elif outcome is not None and bound.unit.query:
            self._indefinite = bound.command is not None and bound.command.indefinite
            self._answers.append(outcome if isinstance(outcome, bytes) else outcome.encode("ascii"))
        elif not bound.unit.query:
            self._comment(bound, 0)

    def _comment(self, bound: Bound, error: int) -> None:
        word = self.instrument.verdict(bound, error)
        if word is not None:
            self._answers.append(word.encode("ascii"))

    def _respond(self) -> None:
        reply = self.instrument.joined(self._answers)
        self._answers.clear()
        now_s = self.instrument.now_s
        for piece in self.manners.shape(self._current, reply, now_s):
            self._send(now_s + self.instrument.latency_s, piece)

    def _send(self, from_s: float, piece: Piece) -> None:
        last_s = self._wire[-1].at_s if self._wire else from_s
        self._wire.append(_Outgoing(max(from_s, last_s) + piece.after_s, piece))


def _message_end(data: bytearray) -> int:
    """Index of the LF that ends the first message, stepping over a definite block; −1 if none."""
    end = data.find(b"\n")
    sharp = data.find(b"#", 0, end) if end > 0 else -1
    while sharp >= 0 and end >= 0:
        digits = data[sharp + 1] - 48 if sharp + 1 < len(data) else 0
        size = data[sharp + 2 : sharp + 2 + digits]
        if not (1 <= digits <= 9 and len(size) == digits and size.isdigit()):
            break
        block_end = sharp + 2 + digits + int(size)
        if block_end > end:
            end = data.find(b"\n", block_end) if block_end <= len(data) else -1
        sharp = data.find(b"#", max(block_end, sharp + 1), end) if end > 0 else -1
    return end
