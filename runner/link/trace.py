"""The last bytes of a link, both ways, as they went over the wire."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TextIO

from runner.clock import Clock
from runner.errors import InputError

__all__ = ["Exchange", "Trace", "trace_file"]


@dataclass(frozen=True, slots=True)
class Exchange:
    """One event: ``>`` sent, ``<`` received, ``!`` a remark; ``t_mono_s`` is the link's clock."""

    t_mono_s: float
    t_utc: datetime
    direction: str
    data: bytes

    def line(self) -> str:
        """One printable line; bytes that are no printable ASCII are escaped."""
        shown = self.data.decode("latin-1").encode("unicode_escape").decode("ascii")
        return f"{self.t_utc.isoformat()} {self.t_mono_s:.6f} {self.direction} {shown}"


class Trace:
    """A ring of the last ``keep`` events; all also go to ``sink`` under ``name``.

    A sink that cannot be written is given up: a trace must never end a run.
    """

    def __init__(
        self, clock: Clock, keep: int = 2000, sink: TextIO | None = None, name: str = ""
    ) -> None:
        self._clock, self._name = clock, name
        self._ring: deque[tuple[float, datetime, str, bytes]] = deque(maxlen=keep)
        self._sink = sink

    def add(self, direction: str, data: bytes) -> None:
        """Keep one event, stamped now."""
        event = (self._clock.mono_s(), self._clock.utc(), direction, data)
        self._ring.append(event)
        if self._sink is not None:
            try:
                self._sink.write(f"{self._name} {Exchange(*event).line()}\n")
            except (OSError, ValueError) as error:  # disk full; closed
                self._sink = None
                self.note(f"the trace file is given up: {error}")

    def note(self, words: str) -> None:
        """Keep a remark."""
        self.add("!", words.encode("utf-8", "replace"))

    def last(self, n: int | None = None) -> list[Exchange]:
        """Return the last ``n`` events (all when None), oldest first."""
        events = [Exchange(*event) for event in list(self._ring)]
        return events if n is None else events[-n:]

    def lines(self, n: int | None = None) -> list[str]:
        """Return the last ``n`` events as printable lines."""
        return [event.line() for event in self.last(n)]


@contextmanager
def trace_file(path: Path | None) -> Iterator[TextIO | None]:
    """A file for all bytes of all links, None without a path.

    :raises InputError: it cannot be written
    """
    if path is None:
        yield None
        return
    try:
        sink = path.open("w", encoding="utf-8", buffering=1)
    except OSError as error:
        raise InputError(
            f"the trace cannot be written ({error.strerror})", file=path, key="--trace"
        ) from None
    try:
        yield sink
    finally:
        with suppress(OSError):  # disk full; what was written stays
            sink.close()
