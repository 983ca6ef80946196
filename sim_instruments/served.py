"""One connection of a served instrument: a thread between a file descriptor and an exchange.

With a virtual bench clock, waiting for an instrument costs no real time; only what a rule of
bad manners delays on the wire is waited for in earnest, so that the other side's timeouts work.
"""

from __future__ import annotations

import select
import threading
from typing import Protocol

from sim_instruments.bench_clock import BenchClock, BenchTime
from sim_instruments.manners import Manners, Piece, Rudeness
from sim_instruments.scpi.exchange import Exchange
from sim_instruments.scpi.instrument import ScpiInstrument

__all__ = ["Served", "Wire"]

_IDLE_S = 0.1  # how often a waiting connection looks whether it shall end
_SLICE_S = 0.02


class Wire(Protocol):
    """Both ends of a byte stream, as a served connection sees them."""

    def fileno(self) -> int:
        """Descriptor to wait on."""
        ...

    def receive(self) -> bytes:
        """Bytes that came; empty when the other side has closed."""
        ...

    def send(self, data: bytes) -> None:
        """Send all of it."""
        ...

    def close(self, *, abruptly: bool) -> None:
        """Close in order, or break off."""
        ...


class Served:
    """Serves one instrument on one wire until either side ends it."""

    def __init__(
        self, instrument: ScpiInstrument, rudeness: Rudeness, clock: BenchTime, wire: Wire
    ) -> None:
        self.instrument, self.rudeness, self.clock, self.wire = instrument, rudeness, clock, wire
        self._virtual = isinstance(clock, BenchClock)
        self._ending = threading.Event()
        with instrument.lock:
            self.exchange = Exchange(instrument, Manners(rudeness, instrument), message_based=False)
            self.exchange.greet()
        self.thread = threading.Thread(target=self._serve, daemon=True, name="served instrument")

    def start(self) -> None:
        """Begin."""
        self.thread.start()

    def end(self) -> None:
        """Ask the thread to finish and wait for it."""
        self._ending.set()
        if self.thread.is_alive() and self.thread is not threading.current_thread():
            self.thread.join(timeout=5.0)

    @property
    def over(self) -> bool:
        """The connection has ended."""
        return not self.thread.is_alive()

    def _serve(self) -> None:
        abruptly = False
        try:
            while not self._ending.is_set():
                with self.instrument.lock:
                    next_s = self.exchange.advance()
                    pieces = self._due()
                if pieces:
                    action = self._send(pieces)
                    if action:
                        abruptly = action == "reset"
                        return
                elif not self._wait(next_s):
                    return
        except OSError:
            return  # the other side is gone
        finally:
            self.wire.close(abruptly=abruptly)

    def _due(self) -> list[Piece]:
        pieces = []
        while (piece := self.exchange.take()) is not None:
            pieces.append(piece)
            if len(pieces) > 256:
                break
        return pieces

    def _send(self, pieces: list[Piece]) -> str:
        for piece in pieces:
            if piece.data:
                self.wire.send(piece.data)
            if piece.action in ("close", "reset"):
                return piece.action
        return ""

    def _wait(self, next_s: float | None) -> bool:
        """Wait for bytes or for the next event; False when the other side has closed."""
        if next_s is None:
            return self._listen(_IDLE_S)
        if not self._virtual:
            return self._listen(min(_SLICE_S, max(0.0, next_s - self.clock.mono_s())))
        delay_s = self.exchange.held_back_s
        if delay_s > 0.0:
            if self._readable(min(delay_s, 30.0)):
                return self._listen(0.0)
        elif self._readable(0.0):
            return self._listen(0.0)
        self.clock.sleep_until(next_s)
        return True

    def _readable(self, seconds: float) -> bool:
        if self.rudeness.first("not-reading", self.instrument.now_s):
            self._ending.wait(seconds)
            return False
        return bool(select.select([self.wire], [], [], seconds)[0])

    def _listen(self, seconds: float) -> bool:
        if not self._readable(seconds):
            return True
        data = self.wire.receive()
        if not data:
            return False
        with self.instrument.lock:
            self.exchange.receive(data)
        return True
