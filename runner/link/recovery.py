"""Proving a session in step again after anything went wrong.

A ladder, each rung once: ask for a fresh number; device clear where that is harmless; a new
connection. What makes it a proof is the *nonce*: a register is set to a number that was never
used in this session and asked back. Answers come in the order of the questions, so once that
number has come, everything older has come too; a second number, which must be the very next
line, excludes a chance match. An identity reply proves nothing: an old one looks the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from runner.errors import ConnectError, DeadlineError, FramingError
from runner.link.numbers import parse_number

if TYPE_CHECKING:
    from runner.link.session import Session

__all__ = ["Recovery"]

_DRAIN_LIMIT_S = 0.5
_SKIP_LIMIT = 1000


class Recovery:
    """The ladder of one session; ``exhausted`` once it failed as a whole."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._nonce = 16
        self.exhausted = False
        self._running = False

    def run(self) -> None:
        """Bring the session back in step.

        :raises ConnectError: no rung helped
        """
        if self._running:
            raise ConnectError(f"{self._session.name}: lost again while being brought back")
        self._running = True
        try:
            self._climb()
        finally:
            self._running = False

    def _climb(self) -> None:
        session = self._session
        session.counts.recoveries += 1
        failures: list[str] = []
        if session.is_open:
            if self._try(failures, fresh=False):
                return
            if session.options.clear and self._try(failures, fresh=False, clear=True):
                return
        deadline_s = session.now_s() + session.options.release_s
        pause_s = 0.2
        while True:
            if self._try(failures, fresh=True):
                return
            if session.now_s() + pause_s > deadline_s:
                break
            session.wait(pause_s)
            pause_s = min(pause_s * 2, 5.0)
        self.exhausted = True
        session.drop()
        raise ConnectError(f"{session.name}: {'; '.join(dict.fromkeys(failures))}")

    def _try(self, failures: list[str], *, fresh: bool, clear: bool = False) -> bool:
        session, options = self._session, self._session.options
        try:
            if fresh:
                session.reopen(options.first_timeout_s)
                if options.boot_s:
                    session.wait(options.boot_s)
            elif clear:
                session.port.clear(session.now_s() + options.timeout_s)
            session.drain(options.quiet_s, _DRAIN_LIMIT_S)
            self._prove(options.first_timeout_s if fresh else max(options.late_s, 0.05))
            self.exhausted = False
            if fresh and session.greet is not None:
                session.in_step_for(session.greet)
        except (DeadlineError, FramingError, ConnectError) as error:
            failures.append(str(error).removeprefix(f"{session.name}: "))
            session.trace.note(f"recovery failed: {error}")
            return False
        return True

    def _prove(self, within_s: float) -> None:
        kind = self._session.options.sync
        if kind == "nonce":
            self._prove_by_nonce(within_s)
        elif kind == "identity":
            self._prove_by_identity(within_s)

    def _prove_by_nonce(self, within_s: float) -> None:
        session = self._session
        until_s = session.now_s() + within_s
        first, second = self._next(), self._next()
        asked = self._ask(first, until_s)
        skipped: list[str] = []
        while not _is(line := session.raw_line(until_s), first):
            skipped.append(line)
            if len(skipped) > _SKIP_LIMIT:
                raise FramingError(f"{session.name}: it does not stop sending")
        if skipped:
            session.trace.note(f"{len(skipped)} lines that nobody waited for: {skipped[:3]!r}")
        session.set_echo(asked[1] in skipped[-1:])
        for number in (second, 0):  # 0 brings the register back
            echo = self._ask(number, until_s)
            while (found := session.raw_line(until_s)) in echo:
                continue
            if not _is(found, number):
                raise FramingError(
                    f"{session.name}: not in step (asked for {number}, found {found!r})"
                )

    def _ask(self, number: int, until_s: float) -> tuple[str, str]:
        # Two messages: not every instrument takes two commands in one.
        end = self._session.options.write_end
        self._session.raw_send(f"*ESE {number}{end}".encode("latin-1"), until_s)
        self._session.raw_send(f"*ESE?{end}".encode("latin-1"), until_s)
        return f"*ESE {number}", "*ESE?"

    def _next(self) -> int:
        # 16 … 255: never a plausible boolean, event count or small status word.
        self._nonce = 16 + (self._nonce - 16 + 37) % 240
        return self._nonce

    def _prove_by_identity(self, within_s: float) -> None:
        """Silence, then the same question twice with the same answer: weaker than a nonce."""
        session = self._session
        options = session.options
        session.drain(min(options.late_s, within_s), within_s)
        found = []
        for _ in range(2):
            until_s = session.now_s() + within_s
            session.raw_send((options.sync_ask + options.write_end).encode("latin-1"), until_s)
            found.append(session.raw_reply(until_s))
            if options.unasked == "discard":  # it may add a line of its own to each answer
                session.drain(options.quiet_s, _DRAIN_LIMIT_S)
        if found[0] != found[1] or not found[0]:
            raise FramingError(f"{session.name}: not in step (asked twice, found {found!r})")


def _is(line: str, number: int) -> bool:
    return parse_number(line).value == float(number)
