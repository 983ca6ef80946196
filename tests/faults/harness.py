"""Fault cases: a stimulus on a real socket or pseudo-terminal, and the outcome that is due.

A case has a *fault* (what the instrument does wrong) and a *twin* (the same conversation without
the fault). Both return their outcome in the words of the table: ``VALUE x``, ``INVALID(reason)``,
``IO-ERROR(kind)``, ``REFUSED(reason)``, ``SAFE``. Numbers of the cases are those of the project's
list of field bugs, gathered from public issue threads and makers' manuals.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from runner.clock import Clock, SystemClock, VirtualClock
from runner.errors import AsleftError, ConnectError, DeadlineError, FramingError
from runner.instruments.roles import Capture
from runner.link.opening import open_session
from runner.link.options import LinkOptions
from runner.link.session import Session
from runner.reading import Reading
from tests.faults.plain import LOAD, METER, SCOPE
from tests.instruments.bench_of import opened_instrument
from tests.instruments.twin import Player, Twin
from tests.link.scripted import Answer, Pause, Scripted

__all__ = [
    "CASES",
    "Case",
    "Faulty",
    "case",
    "link_to",
    "load_on",
    "meter_on",
    "pieces",
    "scope_on",
    "session_on",
    "told",
]

T_S = 0.15
"""The runner's patience for one answer in these tests (s)."""
LINK: dict[str, Any] = {
    "timeout_s": T_S,
    "first_timeout_s": 0.4,
    "late_s": 0.4,
    "quiet_s": 0.02,
    "repeats": 1,
}


@dataclass(frozen=True)
class Case:
    """One row of the table."""

    number: str
    title: str
    fault: Callable[[], str]
    fault_due: str
    twin: Callable[[], str]
    twin_due: str


CASES: list[Case] = []


def case(
    number: str, title: str, *, due: str, twin: Callable[[], str], twin_due: str
) -> Callable[[Callable[[], str]], Callable[[], str]]:
    """Register the decorated function as the fault of a case."""

    def register(fault: Callable[[], str]) -> Callable[[], str]:
        CASES.append(Case(number, title, fault, due, twin, twin_due))
        return fault

    return register


def told(thing: object) -> str:
    """An outcome in the words of the table."""
    if isinstance(thing, Reading | Capture):
        if thing.reason is not None:
            return f"INVALID({_plain(thing.reason)})"
        return f"VALUE {thing.value:g}" if isinstance(thing, Reading) else _size(thing)
    if isinstance(thing, DeadlineError | FramingError | ConnectError):
        return f"IO-ERROR({_plain(str(thing))})"
    if isinstance(thing, AsleftError):
        return f"REFUSED({_plain(str(thing))})"
    return f"VALUE {thing}"


def _size(capture: Capture) -> str:
    return f"VALUE {capture.v.size} points"


def _plain(text: str) -> str:
    """The sentence without what changes from run to run (ports, and where its tail begins)."""
    text = re.sub(r"^it: |^meter: |^load: |^scope: ", "", text)
    text = re.sub(r"TCPIP::[\d.]+::\d+::SOCKET", "address", text)
    return text.split(";")[0].strip()


def pieces(*parts: bytes, gap_s: float = 0.03) -> list[Any]:
    """Bytes sent one after another with pauses between."""
    steps: list[Any] = []
    for part in parts:
        steps += [part, Pause(gap_s)]
    return steps[:-1]


class Faulty(Player):
    """A plain SCPI twin whose answers to some messages are taken over.

    ``instead`` maps a whole message to an answer, a list of answers used up one by one (the
    last one stays), or a function of the message.
    """

    def __init__(self, twin: Twin, instead: dict[str, Any]) -> None:
        super().__init__(twin)
        self.instead = dict(instead)
        self.asked: dict[str, int] = {}
        self.dead = False

    def reply(self, line: str) -> Answer:
        """What goes out for this line."""
        if self.dead:
            return None
        self.asked[line] = self.asked.get(line, 0) + 1
        if line not in self.instead:
            return self._joined(line) if ";:" in line else self(line)
        found = self.instead[line]
        if isinstance(found, tuple):  # answers for the first, second, … time
            found = found[min(self.asked[line], len(found)) - 1]
        if callable(found):
            found = found(line)
        if found == "usual":
            return self(line)
        self.log.append(line)
        return found  # type: ignore[no-any-return]

    def _joined(self, line: str) -> Answer:
        """A message of several: each is answered as on its own, one line for all."""
        parts = line.split(";:")
        if not set(parts) & self.instead.keys():
            return self(line)
        texts: list[bytes] = []
        for part in parts:
            found = self.reply(part)
            if found is None:
                if part in self.instead:
                    return None  # taken over to say nothing
            elif isinstance(found, bytes):
                texts.append(found.rstrip(b"\n"))
            else:
                return found
        return b";".join(texts) + b"\n" if texts else None


@contextmanager
def session_on(
    script: Any, clock: Clock | None = None, **options: Any
) -> Iterator[tuple[Session, Scripted]]:
    """A bare session on a scripted instrument."""
    server_keys = ("end", "greeting", "nonce", "first_line_only", "most_clients")
    server = {key: options.pop(key) for key in server_keys if key in options}
    with Scripted(script, **server) as scripted:
        session = link_to(scripted.address, clock, **options)
        try:
            yield session, scripted
        finally:
            session.close()


def link_to(address: str, clock: Clock | None = None, **options: Any) -> Session:
    """A session with the short patience of these tests."""
    merged = LinkOptions.model_validate({**LINK, **options})
    return open_session("it", address, merged, clock or SystemClock())


@contextmanager
def _role_on(
    role: str, twin: Twin, instead: dict[str, Any], clock: Clock | None, more: dict[str, Any]
) -> Iterator[tuple[Any, Faulty, Scripted]]:
    link = {**LINK, **more.pop("link", {})}
    dialect = more.pop("dialect", "scpi-1999")
    server = {k: more.pop(k) for k in ("greeting", "most_clients", "first_line_only") if k in more}
    player = Faulty(replace(twin, state=dict(twin.state)), instead)
    with (
        Scripted(player.reply, nonce=False, **server) as scripted,
        opened_instrument(
            role, scripted.address, dialect, clock or VirtualClock(), link=link, **more
        ) as made,
    ):
        yield made, player, scripted


def meter_on(instead: dict[str, Any], clock: Clock | None = None, **more: Any) -> Any:
    """A plain SCPI meter with these answers instead of its own."""
    return _role_on("meter", METER, instead, clock, more)


def load_on(instead: dict[str, Any], clock: Clock | None = None, **more: Any) -> Any:
    """A plain SCPI load."""
    more = {"current_max": "30 A", **more}
    return _role_on("load", LOAD, instead, clock, more)


def scope_on(instead: dict[str, Any], clock: Clock | None = None, **more: Any) -> Any:
    """A plain SCPI scope."""
    return _role_on("scope", SCOPE(), instead, clock, more)
