"""Asks the person at the bench on the terminal: one plain sentence, one answer.

No step needs both hands and the keyboard: what the program can see (a knob that has come to
rest) needs no word, and a bell tells that it was accepted.
"""

from __future__ import annotations

import select
import shutil
import sys
import textwrap
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack, nullcontext

import click

from runner.operator.requests import (
    Answer,
    AskNumber,
    AskWords,
    AskYesNo,
    Confirm,
    Request,
    TurnKnob,
)
from runner.quantity import parse_quantity

__all__ = ["TerminalOperator"]

BELL = "\a"
WISHES = {
    "b": "back", "back": "back", "u": "back", "undo": "back",
    "a": "again", "again": "again", "r": "again", "repeat": "again",
    "s": "skip", "skip": "skip",
}  # fmt: skip
DONE = frozenset({"", "y", "yes", "ok", "done"})
KEYS = "Enter: done   b: back, undo the last point   a: this point again   s: skip it"
VALUE_KEYS = "b: back, undo the last point   a: this point again   s: skip it"
BELL_TELLS = "A bell tells when it was taken."
LIVE_WIDTH, WIDEST = 76, 96
PLAIN_NUMBER = "0123456789.+-eE"


class TerminalOperator:
    """Questions on stderr, answers from stdin.

    ``paused`` makes room for a question or a live value: whatever else is drawn on the terminal
    is taken away inside it.
    """

    def __init__(self, paused: Callable[[], AbstractContextManager[object]] = nullcontext) -> None:
        self._paused = paused
        self._told: set[str] = set()
        self._live = False
        self._room = ExitStack()

    def answer(self, request: Request) -> Answer:
        """Ask; an end of input means that nobody is there."""
        self._end_live()
        with self._paused():
            click.echo(BELL, err=True, nl=False)  # hands may be at the bench, eyes elsewhere
            try:
                return self._ask(request)
            except (EOFError, click.exceptions.Abort):
                if not sys.stdin.isatty():
                    return Answer(done=False, words="nobody answered")
                raise KeyboardInterrupt from None

    def watch(self, shown: str) -> Answer | None:
        """Show a live value on one line; returns what was typed meanwhile as a wish."""
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            return None
        if not self._live:
            self._room.enter_context(self._paused())
        click.echo(f"\r  {shown:<{LIVE_WIDTH}}", err=True, nl=False)
        self._live = True
        try:
            typed = bool(select.select([sys.stdin], [], [], 0)[0])
        except (OSError, ValueError):  # not every system can look at its terminal so
            typed = False
        if not typed:
            return None
        line = sys.stdin.readline()
        if not line:
            raise KeyboardInterrupt
        self._live = False  # the typed line end has left the live line behind
        self._room.close()
        return _wish(line)

    def heard(self) -> None:
        """Ring: it was accepted."""
        click.echo(BELL, err=True, nl=False)
        self._end_live()

    def _end_live(self) -> None:
        if self._live:
            click.echo("", err=True)
            self._live = False
            self._room.close()

    def _ask(self, request: Request) -> Answer:
        if isinstance(request, Confirm):
            return _confirm(request)
        if isinstance(request, AskYesNo):
            said = _yes(_wrapped(request.text))
            return Answer(done=said is request.expected, words="yes" if said else "no")
        if isinstance(request, AskNumber):
            return self._number(request)
        if isinstance(request, AskWords):
            return Answer(done=True, words=_line(f"{_wrapped(request.text)}\n  In your words:"))
        if isinstance(request, TurnKnob) and _needs_no_word(request):
            return self._begin(request)
        return self._chore(request)

    def _begin(self, request: TurnKnob) -> Answer:
        """The program watches the knob: it needs no word, and rings."""
        signal = "Begin now; a bell tells when to stop." if request.sweep else BELL_TELLS
        keys = "" if request.sweep else self._once(f"\n  ({VALUE_KEYS}; each with Enter)")
        click.echo(f"{_wrapped(f'{request.text} {signal}')}{keys}", err=True)
        return Answer(done=True)

    def _chore(self, request: Request) -> Answer:
        while True:
            keys = self._once(f"\n  ({KEYS})")
            typed = _line(f"{_wrapped(request.text)}{keys}\n  Enter when done:")
            wish = _wish(typed)
            if wish is not None or typed.lower() in DONE:
                return wish or Answer(done=True)
            click.echo(f"  {typed!r} is not known. {KEYS}", err=True)

    def _number(self, request: AskNumber) -> Answer:
        before: float | None = None
        while True:
            keys = self._once(f"\n  ({VALUE_KEYS})")
            typed = _line(f"{_wrapped(request.text)}{keys}\n  {request.unit}:")
            wish = _wish(typed)
            if wish is not None:
                return wish
            try:
                value = _value(typed, request.unit)
            except ValueError as error:
                click.echo(f"  {error}", err=True)
                continue
            if not request.low <= value <= request.high:
                click.echo(
                    f"  expected {request.low:g} to {request.high:g} {request.unit},"
                    f" found {value:g}: please look again",
                    err=True,
                )
            elif _is_slip(request, value) and value != before:
                before = value
                click.echo(
                    f"  {value:g} {request.unit} is far from {request.expect:.4g}: look again,"
                    " and type it once more if it is so",
                    err=True,
                )
            else:
                return Answer(done=True, value=value, words=typed)

    def _once(self, text: str) -> str:
        """The explanation the first time, nothing afterwards."""
        if text in self._told:
            return ""
        self._told.add(text)
        return text


def _wrapped(text: str) -> str:
    """Broken between words, with an empty line before: each question stands apart."""
    width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns - 1)
    return "\n" + textwrap.fill(text, max(20, width))


def _needs_no_word(request: TurnKnob) -> bool:
    return request.sweep or (request.watched and sys.stdin.isatty())


def _line(prompt: str) -> str:
    typed = click.prompt(prompt, default="", show_default=False, prompt_suffix=" ", err=True)
    return str(typed).strip()


def _wish(typed: str) -> Answer | None:
    wish = WISHES.get(typed.strip().lower())
    if wish is None:
        return None
    return Answer(
        done=False, words=wish, skip=wish == "skip", back=wish == "back", again=wish == "again"
    )


def _yes(text: str) -> bool:
    while True:
        typed = _line(f"{text}\n  y or n:").lower()
        if typed in {"y", "yes", "n", "no"}:
            return typed.startswith("y")
        click.echo("  please type y for yes or n for no", err=True)


def _value(typed: str, unit: str) -> float:
    plain = typed.replace(",", ".").replace("−", "-")
    if plain and all(c in PLAIN_NUMBER for c in plain):
        return float(plain)
    return parse_quantity(typed, unit)


def _is_slip(request: AskNumber, value: float) -> bool:
    return request.expect is not None and abs(value - request.expect) > request.slip


def _confirm(request: Confirm) -> Answer:
    if not _yes(_wrapped(request.text)):
        return Answer(done=False, words="no")
    reason = ""
    while not reason:
        reason = _line("  The reason, for the record:")
    return Answer(done=True, words=reason)
