"""What every simulated instrument has: identity, settings, status, common commands.

An instrument knows nothing of how it is reached; an `Exchange` feeds it one program message unit
at a time. Work that takes time answers with `Later`: the moment it will be finished and what to do
then, so that several instruments can be busy at once.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from runner.clock import Clock
from sim_instruments.scpi.common import common_commands
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.kinds import Kind
from sim_instruments.scpi.program import ProgramUnit, split_units
from sim_instruments.scpi.status import PON, Status
from sim_instruments.scpi.tree import Command, Tree

__all__ = ["Bound", "Identity", "Later", "ScpiInstrument"]

_CACHED_MESSAGES = 512
_REMEMBERED_MESSAGES = 2000


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of `*IDN?` (IEEE 488.2, 10.14)."""

    maker: str
    model: str
    serial: str
    firmware: str = "1.0"

    def __str__(self) -> str:
        return f"{self.maker},{self.model},{self.serial},{self.firmware}"


@dataclass(frozen=True, slots=True)
class Later:
    """An answer that exists only from `ready_s` (bench clock) on; `finish` may put it off again.

    `open_ended` says that nobody knows when the end will be: this is only a look.
    """

    ready_s: float
    finish: Callable[[], Any]
    open_ended: bool = False


@dataclass(frozen=True, slots=True)
class Bound:
    """A program message unit with its command found, or the error number that it earns."""

    unit: ProgramUnit
    command: Command | None = None
    suffixes: tuple[int, ...] = ()
    error: int = 0


class ScpiInstrument:
    """Base of the simulated instruments; subclasses declare commands and their defaults.

    `heard` keeps the last messages with their bench times, so that a test can see what was sent.
    `reply_end` follows each reply; without `line_ends` whatever arrives together is one message.
    """

    latency_s = 0.001
    reset_s = 0.05
    reply_end = b"\n"
    line_ends = True

    def __init__(self, identity: Identity, clock: Clock) -> None:
        self.identity, self.clock = identity, clock
        self.lock = threading.RLock()
        self.status = Status()
        self.settings: dict[str, Any] = {}
        self.remote = False
        self.stuck_trigger = False
        self.heard: deque[tuple[float, str]] = deque(maxlen=_REMEMBERED_MESSAGES)
        self._defaults: dict[str, Any] = {}
        self._opc_wanted = False
        self._bound: dict[str, list[Bound]] = {}
        self._tree = Tree([*self.shared_commands(), *self.commands()])
        self.settings.update(self._defaults)

    # --- what subclasses say

    def shared_commands(self) -> Iterable[Command]:
        """Words that every instrument has."""
        return common_commands(self)

    def commands(self) -> Iterable[Command]:
        """Words of this instrument besides the common ones."""
        return ()

    def reset(self) -> None:
        """Put settings back; subclasses extend it to put the hardware back too."""
        self._opc_wanted = False
        self.settings.update(self._defaults)

    def refresh(self) -> None:
        """Bring the condition registers up to this moment."""

    def busy_until_s(self) -> float:
        """Moment at which all started work is finished (past when idle)."""
        return float("-inf")

    def trigger(self) -> None:
        """Do what `*TRG` asks."""
        raise ScpiError(-211)

    def provoke(self, what: str) -> None:
        """Let something happen to the hardware that no command asks for."""

    def verdict(self, bound: Bound, error: int) -> str | None:
        """Word that answers a setting (error 0) or a mistake; most instruments say nothing."""
        return None

    def joined(self, answers: list[bytes]) -> bytes:
        """One response message of all answers to one program message."""
        return b";".join(answers)

    def clear_device(self) -> None:
        """Device clear: stop waiting for anything; settings stay."""
        self._opc_wanted = False

    # --- what subclasses use

    def setting(
        self,
        header: str,
        key: str,
        kind: Kind,
        default: Any,
        after: Callable[..., Any] | None = None,
    ) -> Command:
        """Declare a plain setting: set, query, `MIN|MAX|DEF`; `after(*suffixes)` when set.

        With a numeric suffix the key is followed by it (`scale2`), and `default` is for each.
        """
        largest = int(header.partition("<")[2].partition(">")[0] or 0)
        for name in [f"{key}{n}" for n in range(1, largest + 1)] or [key]:
            self._defaults.setdefault(name, default)

        def act(*arguments: Any) -> Any:
            name = key + "".join(str(n) for n in arguments[:-1])
            self.settings[name] = arguments[-1]
            return after(*arguments[:-1]) if after else None

        def ask(*suffixes: int) -> str:
            return kind.write(self.settings[key + "".join(str(n) for n in suffixes)])

        return Command(header, act, ask, takes=(kind,), limits_of=kind)

    def default(self, key: str, value: Any) -> None:
        """Say what `*RST` puts a setting to whose command is declared by hand."""
        self._defaults[key] = value

    @property
    def now_s(self) -> float:
        """Bench time."""
        return self.clock.mono_s()

    def power_on(self) -> None:
        """Start anew as after a power cut: defaults, empty queues, PON set."""
        self.status = Status()
        self.status.event = PON
        self.reset()

    def want_operation_complete(self) -> None:
        """`*OPC`: set the event bit once all work is finished."""
        self._opc_wanted = True

    # --- what the exchange uses

    def bind(self, message: str) -> list[Bound]:
        """Find the commands of a message; remembered, since runs repeat the same messages."""
        bound = self._bound.get(message)
        if bound is None:
            if len(self._bound) >= _CACHED_MESSAGES:
                self._bound.clear()
            bound = self._bound[message] = list(self._bind(message))
        return bound

    def _bind(self, message: str) -> Iterable[Bound]:
        path: tuple[str, ...] = ()
        for unit in split_units(message):
            if unit.error:
                yield Bound(unit, error=unit.error)
                return
            suffixes: tuple[int, ...] = ()
            try:
                if unit.common:
                    command = self._tree.common(unit.path[0], unit.query)
                else:
                    full = unit.path if unit.rooted else path + unit.path
                    path = full[:-1]
                    command, suffixes = self._tree.find(full, unit.query)
            except ScpiError as error:
                yield Bound(unit, error=error.number)
                return
            yield Bound(unit, command, suffixes)

    def carry_out(self, bound: Bound) -> Any:
        """Do one unit: None for a command, text or bytes for a query, or `Later`."""
        if bound.command is None:
            raise ScpiError(bound.error)
        self._settle_operation_complete()
        command, unit = bound.command, bound.unit
        if not unit.query:
            assert_count(len(unit.data), len(command.takes), command.optional)
            values = [kind.read(d) for kind, d in zip(command.takes, unit.data, strict=False)]
            return command.act(*bound.suffixes, *values) if command.act else None
        if command.limits_of is not None and len(unit.data) == 1:
            limit = command.limits_of.special(unit.data[0])
            if limit is None:
                raise ScpiError(-108)
            return command.limits_of.write(limit)
        assert_count(len(unit.data), len(command.asks), len(command.asks))
        values = [kind.read(d) for kind, d in zip(command.asks, unit.data, strict=False)]
        return command.ask(*bound.suffixes, *values) if command.ask else None

    def _settle_operation_complete(self) -> None:
        if self._opc_wanted and self.busy_until_s() <= self.now_s:
            self._opc_wanted = False
            self.status.event |= 1

    def read_event_status(self) -> int:
        """Give `*ESR?`."""
        self._settle_operation_complete()
        return self.status.read_event()


def assert_count(given: int, allowed: int, optional: int) -> None:
    """Refuse too many (−108) or too few (−109) data."""
    if given > allowed:
        raise ScpiError(-108)
    if given < allowed - optional:
        raise ScpiError(-109)
