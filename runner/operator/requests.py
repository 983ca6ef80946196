"""What the program may ask of the person at the bench.

Every request carries ``text``, the sentence a person reads; the other fields let a scripted or
simulated hand do the same thing. An answer is an :class:`Answer`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

__all__ = [
    "Answer",
    "AskNumber",
    "AskWords",
    "AskYesNo",
    "Confirm",
    "FitBleed",
    "JoinSource",
    "MoveLead",
    "Operator",
    "Request",
    "SetStrap",
    "SwitchUnit",
    "TurnKnob",
    "Watcher",
]


@dataclass(frozen=True, slots=True)
class Request:
    """Base of all requests; ``topic`` is a stable word for journal and scripts."""

    topic: str
    text: str


@dataclass(frozen=True, slots=True)
class AskYesNo(Request):
    """A question with yes or no; ``expected`` is the answer that lets the work go on."""

    expected: bool = True


@dataclass(frozen=True, slots=True)
class AskNumber(Request):
    """A number typed in, e.g. what the panel meter shows.

    ``low`` and ``high`` are what is possible at all; further than ``slip`` from ``expect`` is
    asked for again, and believed when it is typed twice.
    """

    unit: str = ""
    low: float = float("-inf")
    high: float = float("inf")
    expect: float | None = None
    slip: float = float("inf")


@dataclass(frozen=True, slots=True)
class AskWords(Request):
    """A line in a person's own words, for the report; an empty one says nothing."""


@dataclass(frozen=True, slots=True)
class Confirm(Request):
    """An ask-grade hazard: go on only with a typed yes and a reason."""

    code: str = ""


@dataclass(frozen=True, slots=True)
class TurnKnob(Request):
    """Turn the voltage (or current) knob towards ``target``.

    ``rate_per_s`` is the fastest turning wanted (V/s or A/s), None when it does not matter.
    Returns when the person says so or the program sees the value hold still. A slow turn for
    the tap map has ``sweep`` True: the hand starts moving and the answer comes at once; the
    value keeps moving while the program watches. ``watched`` says that the program reads the
    value meanwhile, so that no word is needed when it is there.
    """

    target: float = 0.0
    unit: str = "V"
    rate_per_s: float | None = None
    sweep: bool = False
    watched: bool = False


@dataclass(frozen=True, slots=True)
class SwitchUnit(Request):
    """Switch the unit's mains or its output on or off by hand."""

    what: str = "output"
    on: bool = True


@dataclass(frozen=True, slots=True)
class MoveLead(Request):
    """Move an instrument's lead to another terminal; an empty ``to`` means take it off."""

    lead: str = ""
    to: str = ""


@dataclass(frozen=True, slots=True)
class FitBleed(Request):
    """Fit (``ohms`` > 0) or take off (``ohms`` = 0) a resistor between two terminals."""

    a: str = ""
    b: str = ""
    ohms: float = 0.0


@dataclass(frozen=True, slots=True)
class JoinSource(Request):
    """Join an outside source to the output, or take it off (``volts`` 0).

    A negative ``volts`` is the wrong way round; ``amps`` is its current limit, ``ohms`` stands
    in its lead.
    """

    volts: float = 0.0
    amps: float = 0.0
    ohms: float = 0.0


@dataclass(frozen=True, slots=True)
class SetStrap(Request):
    """Fit or take off the earth strap: ``none``, ``plus`` or ``minus``."""

    position: str = "none"


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: ``done`` False means the person could not or would not do it.

    ``skip``, ``back`` and ``again`` are wishes about the point that is being measured.
    """

    done: bool
    value: float | None = None
    words: str = ""
    skip: bool = False
    back: bool = False
    again: bool = False


class Operator(Protocol):
    """Somebody who answers: a person at a terminal or a page, a script, a simulated hand."""

    def answer(self, request: Request) -> Answer:
        """Put the request and wait for the answer."""
        ...


@runtime_checkable
class Watcher(Protocol):
    """An operator that can be shown a live value, and may say a word meanwhile."""

    def watch(self, shown: str) -> Answer | None:
        """Show this text in place of the last one; returns a wish, None when nothing was said."""
        ...

    def heard(self) -> None:
        """Give the sign that something was accepted: hands are at the unit, eyes elsewhere."""
        ...
