"""Asks the person at the bench on the terminal: one plain sentence, one answer."""

from __future__ import annotations

import sys

import click

from runner.clock import Clock
from runner.operator.requests import (
    Answer,
    AskNumber,
    AskYesNo,
    Confirm,
    Request,
    TurnKnob,
)
from runner.quantity import parse_quantity

__all__ = ["TerminalOperator"]


class TerminalOperator:
    """Questions on stderr, answers from stdin; Enter means "done"."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def answer(self, request: Request) -> Answer:
        """Ask; an end of input means that nobody is there."""
        click.echo("\a", err=True, nl=False)  # audible: hands may be at the bench, eyes elsewhere
        try:
            return self._ask(request)
        except (EOFError, click.exceptions.Abort):
            if not sys.stdin.isatty():
                return Answer(done=False, words="nobody answered")
            raise KeyboardInterrupt from None

    def _ask(self, request: Request) -> Answer:
        if isinstance(request, Confirm):
            return _confirm(request)
        if isinstance(request, AskYesNo):
            said = click.confirm(request.text, err=True)
            return Answer(done=said is request.expected, words="yes" if said else "no")
        if isinstance(request, AskNumber):
            return _number(request)
        if isinstance(request, TurnKnob) and request.sweep:
            click.echo(f"{request.text} Begin now.", err=True)
            return Answer(done=True)
        words = click.prompt(
            f"{request.text}\n  Enter when done, s to skip, b to go back",
            default="", show_default=False, err=True,
        ).strip().lower()  # fmt: skip
        return Answer(
            done=words not in {"s", "skip", "b", "back"},
            words=words,
            skip=words in {"s", "skip"},
            back=words in {"b", "back"},
        )


def _confirm(request: Confirm) -> Answer:
    click.echo(request.text, err=True)
    if not click.confirm("  Go on all the same?", default=False, err=True):
        return Answer(done=False, words="no")
    reason = ""
    while not reason:
        reason = click.prompt("  The reason, for the record", err=True).strip()
    return Answer(done=True, words=reason)


def _number(request: AskNumber) -> Answer:
    while True:
        typed = click.prompt(f"{request.text} ({request.unit}, s to skip)", err=True).strip()
        if typed.lower() in {"s", "skip"}:
            return Answer(done=False, words="skipped", skip=True)
        try:
            value = (
                float(typed.replace(",", "."))
                if typed.replace(",", ".").lstrip("+-").replace(".", "", 1).isdigit()
                else parse_quantity(typed, request.unit)
            )
        except ValueError as error:
            click.echo(f"  {error}", err=True)
            continue
        if request.low <= value <= request.high:
            return Answer(done=True, value=value, words=typed)
        click.echo(
            f"  expected {request.low:g} to {request.high:g} {request.unit}, found {value:g}:"
            " please look again",
            err=True,
        )
