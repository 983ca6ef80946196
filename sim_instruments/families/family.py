"""What twins of real instrument families share: who they say they are, what they lack.

A twin puts a family's documented words on one of the simulated instruments, so that what it
measures and draws is the plant's business as before. It is written from the makers' guides and
public drivers, never from the dialect file that has to understand it. A word that is not in the
twin's list is an undefined header and stays unanswered.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from sim_instruments.scpi.common import common_commands
from sim_instruments.scpi.errors import ScpiError, format_error
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Number, Word
from sim_instruments.scpi.program import Datum
from sim_instruments.scpi.tree import Command

__all__ = ["Choice", "Family", "Figure", "SpokenIdentity", "Switch", "in_channel"]


@dataclass(frozen=True, slots=True)
class SpokenIdentity(Identity):
    """An identity in a family's own shape; `form` has the place `{serial}`."""

    form: str = ""

    def __str__(self) -> str:
        return self.form.format(serial=self.serial)


class Family(ScpiInstrument, ABC):
    """Mixed in before a simulated instrument; subclasses give `idn` and `words`.

    `lacks` are beginnings of shared headers that the family does not have, `sign` stands before
    an error number that is not negative.
    """

    idn = ""
    lacks: tuple[str, ...] = ()
    sign = ""

    def shared_commands(self) -> Iterable[Command]:
        """Common words as far as the family has them."""
        gone = (*self.lacks, "SYSTem:ERRor[:NEXT]")
        kept = [one for one in common_commands(self) if not one.header.startswith(gone)]
        if not any("SYSTem:ERRor".startswith(word) for word in self.lacks):
            kept.append(Command("SYSTem:ERRor[:NEXT]", ask=self._next_error))
        return kept

    def _next_error(self) -> str:
        text = format_error(self.status.errors.pop())
        return text if text.startswith("-") else self.sign + text

    def commands(self) -> Iterable[Command]:
        """The family's words; those of the simulated instrument only leave their defaults."""
        list(super().commands())
        return self.words()

    @abstractmethod
    def words(self) -> list[Command]:
        """Words of the family."""


@dataclass(frozen=True)
class Figure(Number):
    """A number counted and written as the family does: SI = number · `per`."""

    form: str = "{:+.8E}"
    per: float = 1.0

    def read(self, datum: Datum) -> float:
        """In SI."""
        return super().read(datum) * self.per

    def write(self, value: object) -> str:
        """In the family's unit and shape."""
        return self.form.format(float(value) / self.per)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Switch(Boolean):
    """A switch that answers in words of its own."""

    on: str = "ON"
    off: str = "OFF"

    def write(self, value: object) -> str:
        """One of the two words."""
        return self.on if value else self.off


class Choice:
    """Words that are sent, what each stands for, and the word that comes back for it."""

    def __init__(self, table: dict[str, tuple[str, str]]) -> None:
        self.table = table
        self._answers = {value: answer for value, answer in table.values()}

    def special(self, datum: Datum) -> None:
        """Words have no limits to ask for."""

    def read(self, datum: Datum) -> str:
        """The value behind the word."""
        word = Word(*self.table)
        short = word.read(datum)
        written = next(w for w in self.table if "".join(c for c in w if not c.islower()) == short)
        return self.table[written][0]

    def write(self, value: object) -> str:
        """The word that the family answers."""
        return self._answers[str(value)]


class _Channels:
    """A channel list that names the only channel; -224 for another."""

    def __init__(self, only: str) -> None:
        self.only = only

    def special(self, datum: Datum) -> None:
        """There are no limits to ask for."""

    def read(self, datum: Datum) -> str:
        """The list as it came."""
        if datum.kind != "expression" or datum.text.strip() != self.only:
            raise ScpiError(-224)
        return datum.text

    def write(self, value: object) -> str:
        """With its brackets."""
        return f"({value})"


def in_channel(only: str, commands: Iterable[Command]) -> list[Command]:
    """The same commands with a channel list behind each, which cannot be left out."""
    listed = _Channels(only)

    def asked(ask: Callable[..., object]) -> Callable[..., object]:
        def answer(*channel: str) -> object:
            if not channel:
                raise ScpiError(-109)
            return ask()

        return answer

    def done(act: Callable[..., object]) -> Callable[..., object]:
        return lambda *arguments: act(*arguments[:-1])

    return [
        Command(
            one.header, one.act and done(one.act), one.ask and asked(one.ask),
            takes=(*one.takes, listed), asks=(listed,),
        )
        for one in commands
    ]  # fmt: skip
