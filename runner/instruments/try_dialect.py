"""Exercises a dialect on the real instrument, read-only: every question, no setting.

What was sent, what came back and what it was taken for are listed side by side, so that a
dialect can be written and checked without a line of Python.
"""

from __future__ import annotations

import string
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from runner.clock import Clock
from runner.errors import BenchError, ConnectError, FramingError
from runner.instruments import decode
from runner.instruments.dialect import Dialect, Question, RoleWords, ScopeWords
from runner.link.numbers import parse_error, shown
from runner.link.opening import open_session
from runner.link.session import Session

__all__ = ["Tried", "try_dialect"]

_CONTEXT: dict[str, Any] = {"n": 1, "range": 1, "low": 0, "source": "", "channel": "1"}


@dataclass(frozen=True, slots=True)
class Tried:
    """One question: where it stands in the file, what was sent, what came, what it means."""

    key: str
    ask: str
    reply: str
    value: str
    problem: str | None


def try_dialect(
    dialect: Dialect, address: str, clock: Clock, library: Any = None
) -> Iterator[Tried]:
    """Ask identity, errors, and every question of every role; skip what needs a setting first.

    :raises ConnectError: nobody there, or nobody that can be brought in step
    """
    session = open_session("instrument", address, dialect.link, clock, library=library)
    try:
        yield _identity(session, dialect)
        for ask in dialect.errors.ask:
            yield _one(session, "errors.ask", Question(ask=ask, decode="word"), _error)
        for role in dialect.roles:
            words = dialect.words(role)
            if words is not None:
                yield from _role(session, role, words)
    finally:
        session.close()


def _identity(session: Session, dialect: Dialect) -> Tried:
    import re

    def matches(question: Question, text: str) -> str:
        if not any(re.search(pattern, text) for pattern in dialect.identity.patterns):
            raise FramingError(f"none of the identity patterns fits {shown(text)}")
        return "recognised"

    question = Question(ask=dialect.identity.ask, decode="word", n_bytes=dialect.identity.n_bytes)
    return _one(session, "identity", question, matches)


def _role(session: Session, role: str, words: RoleWords) -> Iterator[Tried]:
    known = _CONTEXT
    if isinstance(words, ScopeWords):
        known = {**_CONTEXT, "source": words.channel.format(n=1)}
    for name, question in words.queries.items():
        if not question.prepare:
            yield _one(session, f"{role}.queries.{name}", question, _decoded, known)
    for name, setting in words.settings.items():
        if setting.get is not None:
            yield _one(session, f"{role}.settings.{name}.get", setting.get, _decoded, known)
    if words.status is not None:
        yield _one(session, f"{role}.status.get", words.status.get, _decoded, known)


def _one(
    session: Session, key: str, question: Question, meaning: Any, known: dict[str, Any] = _CONTEXT
) -> Tried:
    names = {field for _, field, _, _ in string.Formatter().parse(question.ask) if field}
    if names - set(known):
        return Tried(key, question.ask, "", "", "needs a value that only a setting gives")
    ask = question.ask.format_map(known)
    raw = [""]

    def read(text: str) -> str:
        raw[0] = text
        return str(meaning(question, text))

    try:
        value = session.ask(ask, read, n_bytes=question.n_bytes, repeats=0)
    except BenchError as error:
        if key == "identity" and isinstance(error, ConnectError):
            raise  # nobody there: nothing else need be asked
        return Tried(key, ask, raw[0], "", str(error).removeprefix("instrument: "))
    return Tried(key, ask, raw[0], value, None)


def _decoded(question: Question, text: str) -> str:
    if question.decode in {"bool", "bit"}:
        return "on" if decode.as_bool(question, text) else "off"
    if question.decode in {"integer", "byte"}:
        return str(decode.as_integer(question, text))
    if question.decode == "word":
        return decode.as_word(question, text)
    number = decode.as_number(question, text)
    if number.value is None:
        return f"no value: {number.reason}"
    return f"{number.value:g} {question.unit}".strip()


def _error(question: Question, text: str) -> str:
    entry = parse_error(text)
    if entry is None:
        raise FramingError(f"an error queue entry was due, found {shown(text)}")
    return "no error" if entry.code == 0 else f"error {entry.code} {entry.text}"
