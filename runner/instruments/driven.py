"""What all remotely driven instruments have in common: words in, values out, nothing unproved."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

from runner.clock import Clock
from runner.errors import BenchError, ConnectError, DeadlineError, FramingError, InstrumentError
from runner.instruments import decode
from runner.instruments.dialect import Dialect, Question, RoleWords
from runner.instruments.roles import Identity
from runner.instruments.setting_up import SettingUp
from runner.instruments.worth import Worth
from runner.link.numbers import Number, parse_error, shown
from runner.link.session import Session
from runner.reading import Reading

__all__ = ["Driven", "Seat"]

_PON = 128


@dataclass(frozen=True, slots=True)
class Seat:
    """All that a role implementation is built from.

    ``ratings`` are the bench file's figures (``current_max`` A, ``voltage_max`` V, ``power_max``
    W, ``line_hz``), ``probes`` its probe factors by channel.
    """

    name: str
    session: Session
    dialect: Dialect
    words: RoleWords
    identity: Identity
    clock: Clock
    worth: Worth
    ratings: dict[str, float]
    probes: dict[str, Any]


class Driven(SettingUp):
    """Base of the roles. ``passive`` instruments may be set up again after a restart."""

    passive = True

    def __init__(self, seat: Seat) -> None:
        super().__init__(seat.name, seat.session, seat.clock, seat.dialect, seat.words)
        self._seat = seat
        self._error_query: str | None = None
        self._errors_probed = False
        self._closed = False
        self._released = False
        self._greeted = False
        self.restarts = 0

    # ---- the Instrument protocol ------------------------------------------------------------

    def identity(self) -> Identity:
        """Who it is, as found when the session was opened."""
        return self._seat.identity

    def start(self) -> None:
        """Send the start words; from then on every new connection is greeted so.

        :raises BenchError: it cannot be started
        """
        self._greet()
        self._session.greet = self._greet
        for ask, due in self._role_words.require.items():
            found = self._session.ask(ask, str)
            if not decode.same_word(found.strip('"'), due):
                raise InstrumentError(
                    f"{self.name}: it answers {found!r} to {ask}; choose {due} on its panel"
                )

    def make_safe(self) -> None:
        """Send what makes the instrument harmless, then give its panel back."""
        self._send_all(self._role_words.safe)
        for error in self.errors():
            self._session.trace.note(f"at the end: {error}")
        self._send_all(self._role_words.local)
        self._released = True

    def close(self) -> None:
        """Give the panel and the session back; may be called twice, never raises BenchError."""
        if self._closed:
            return
        self._closed = True
        if self._session.is_open and self._session.in_step and not self._released:
            try:
                self._send_all(self._role_words.local)
            except BenchError as error:
                self._session.trace.note(f"while closing: {error}")
        self._session.close()

    def trace_lines(self, n: int | None = None) -> list[str]:
        """The last ``n`` exchanges of its link, printable."""
        return self._session.trace.lines(n)

    def link_counts(self) -> dict[str, int]:
        """What its link went through."""
        return {**asdict(self._session.counts), "restarts": self.restarts}

    # ---- errors -----------------------------------------------------------------------------

    def errors(self) -> list[str]:
        """Empty the error queue; each entry as text.

        :raises InstrumentError: it never becomes empty
        """
        ask = self._error_words()
        if ask is None:
            return []
        found: list[str] = []
        for _ in range(self._dialect.errors.deepest):
            entry = self._session.ask(ask, _error_entry)
            if entry[0] == 0:
                return found
            found.append(f"{entry[0]} {entry[1]}".strip())
        raise InstrumentError(f"{self.name}: the error queue never becomes empty ({found[-1]})")

    @property
    def errors_readable(self) -> bool:
        """Whether errors can be read at all; where not, the read-backs carry the load."""
        return self._error_words() is not None

    def _error_words(self) -> str | None:
        if not self._errors_probed:
            self._errors_probed = True
            for ask in self._dialect.errors.ask:
                try:
                    self._session.ask(ask, _error_entry, repeats=0)
                except (DeadlineError, FramingError):
                    continue
                self._error_query = ask
                break
        return self._error_query

    # ---- words without an answer ------------------------------------------------------------

    def _do(self, action: str, **context: Any) -> None:
        for template in self._role_words.actions[action]:
            self._session.write(template.format_map({**context}))

    def _send_all(self, commands: tuple[str, ...]) -> None:
        for command in commands:
            self._session.write(command)

    # ---- questions --------------------------------------------------------------------------

    def _ask(
        self,
        question: Question,
        decoder: Callable[[Question, str], Any],
        within_s: float = 0.0,
        **context: Any,
    ) -> Any:
        for template in question.prepare:
            self._session.write(template.format_map(context))
        return self._session.ask(
            question.ask.format_map(context),
            lambda text: decoder(question, text),
            self._session.options.timeout_s + question.takes_s + within_s,
            n_bytes=question.n_bytes,
            repeats=self._session.options.repeats,
        )

    def _ask_all(
        self, asked: Mapping[str, tuple[Question, Callable[[Question, str], Any]]], **context: Any
    ) -> dict[str, Any]:
        """The answers to questions with their decoders; in one message where the dialect allows."""
        questions = [question for question, _ in asked.values()]
        alone = len(asked) < 2 or any(q.prepare or q.takes_s or q.n_bytes for q in questions)
        parts = [question.ask.format_map(context) for question in questions]
        texts = [None] * len(parts) if alone else self._ask_joined(parts, len(parts))
        said: dict[str, Any] = {}
        for (name, (question, decoder)), text in zip(asked.items(), texts, strict=True):
            if text is not None:
                with suppress(FramingError):
                    said[name] = decoder(question, text)
            if name not in said:
                said[name] = self._ask(question, decoder, **context)
        return said

    def _reading(
        self,
        question: Question,
        *,
        quantity: str,
        unit: str,
        function: str,
        range_: float | None,
        within_s: float = 0.0,
        limit: float = 9.0e37,
        beyond: float | None = None,
        **context: Any,
    ) -> Reading:
        """One measured value, or why there is none.

        A link that cannot be brought back raises; a question that was not answered properly
        while the link is fine gives an invalid reading.
        """
        begun_s = self._clock.mono_s()
        raw: list[str] = []

        def read(asked: Question, text: str) -> Number:
            raw[:] = [text]
            return decode.as_number(asked, text, limit)

        try:
            number: Number = self._ask(question, read, within_s, **context)
        except ConnectError:
            raise
        except (FramingError, DeadlineError) as error:
            number = Number(None, str(error))
        if number.value is not None and beyond is not None and abs(number.value) > beyond:
            number = Number(None, f"implausible: {number.value:g} {unit} is beyond {beyond:g}")
        value = number.value
        return Reading(
            quantity=quantity, value=value, unit=unit, instrument=self.name, function=function,
            range=range_, raw=raw[0] if raw else "", reason=number.reason,
            u=None if value is None else self._seat.worth.u(function, value, range_),
            dof=None, t_mono_s=(begun_s + self._clock.mono_s()) / 2.0,
        )  # fmt: skip

    # ---- new connections ----------------------------------------------------------------------

    def _greet(self) -> None:
        """Start words on a new connection, then see whether the instrument was restarted."""
        self._send_all(self._role_words.start)
        again, self._greeted = self._greeted, True
        if not self._dialect.reset_flag:
            return
        flags = self._session.ask("*ESR?", _integer)
        if again and flags & _PON:
            self.restarts += 1
            self._restarted()

    def _restarted(self) -> None:
        if not self.passive:
            raise InstrumentError(
                f"{self.name}: it was restarted in between and has lost its settings"
            )
        self._session.trace.note("restarted in between; set up again")
        for made in list(self._made.values()):
            self._set(made.key, made.value, **made.context)


def _error_entry(text: str) -> tuple[int, str]:
    entry = parse_error(text)
    if entry is None:
        raise FramingError(f"an error queue entry was due, found {shown(text)}")
    return entry.code, entry.text


def _integer(text: str) -> int:
    return decode.as_integer(Question(ask="*ESR?"), text)
