"""What a check is: what it needs, how it measures, and how its readings become findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from runner.bench import Bench
from runner.clock import Clock
from runner.finding import Finding
from runner.instruments.roles import BenchInstruments, Capture
from runner.operator.requests import Operator
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["Check", "CheckLog", "Conditions", "Plan", "UnitOutput", "Workplace"]


@dataclass(frozen=True, slots=True)
class Conditions:
    """What is known before anything is energised; decides whether a check can be done."""

    profile: Profile
    bench: Bench
    quick: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """What a check will cost: bench time, relay operations, hands, and heat."""

    duration_s: float
    relay_operations: int = 0
    hands: tuple[str, ...] = ()
    dissipation_w: float = 0.0
    missing: str | None = None
    """Why the check cannot be done, with the remedy; None when it can."""
    applies: bool = True
    """False when the question does not arise for this unit: the check is then left out."""
    left_out: str = ""
    """Why it is left out, where the person who reads the report must know."""


class CheckLog(Protocol):
    """The journal, bound to one check. Each call is on disk when it returns."""

    def reading(self, reading: Reading, **at: float | str) -> Reading:
        """Keep a reading, valid or not, and return it with its place."""
        ...

    def readings(self, readings: Sequence[Reading], **at: float | str) -> list[Reading]:
        """Keep readings made one after another at one place; on disk together."""
        ...

    def event(self, what: str, **fields: Any) -> None:
        """Keep something that happened: a tap change, a trip, a pass thrown away."""
        ...

    def note(self, text: str) -> None:
        """Keep a sentence for the report."""
        ...

    def waveform(self, name: str, capture: Capture, **at: float | str) -> None:
        """Keep a scope record; ``name`` is unique within the check."""
        ...

    def line(self, kind: str, **fields: Any) -> None:
        """Keep a line of the check's own kind."""
        ...

    def row(self, values: Sequence[float | None], why: Mapping[str, str]) -> None:
        """Keep one row of many readings; may reach the disk up to a second later."""
        ...

    def progress(self, fraction: float, doing: str) -> None:
        """Tell the person how far this check is (0..1) and what it is doing."""
        ...


class UnitOutput(Protocol):
    """The unit's output as a check drives it, whether by remote command or by a hand.

    Whether it has come to rest, and where, is for the check to see (`stepping.go_to`).
    """

    by_hand: bool

    def on(self, on: bool) -> None:
        """Output on or off."""
        ...

    def set_voltage(self, volts: float, *, stands_at_v: float | None = None) -> None:
        """Go to a set point; a hand is told where the output stands, if that is given."""
        ...

    def set_current_limit(self, amps: float) -> None:
        """Set the current limit, by hand where need be."""
        ...

    def sweep(self, target_v: float, rate_v_per_s: float, *, because: str = "") -> None:
        """Start a slow turn towards target (hand-turned units only); returns at once.

        ``because`` is said to the person first.
        """
        ...


@dataclass(slots=True)
class Workplace:
    """All that ``measure`` may use."""

    instruments: BenchInstruments
    output: UnitOutput
    profile: Profile
    bench: Bench
    log: CheckLog
    operator: Operator
    clock: Clock
    quick: bool = False
    attended: bool = True
    """Whether somebody is there who can look at the unit."""
    earlier: Mapping[str, Sequence[Finding]] = field(default_factory=dict)
    """Findings of the checks done before, by check name (tap points for the ripple points…)."""
    written: Callable[[str], CheckData] | None = None
    """What a check of this name wrote so far (the scope's floor for the ripple at low line)."""


class Check(Protocol):
    """One question put to the unit."""

    name: str
    title: str
    question: str

    def plan(self, conditions: Conditions) -> Plan:
        """What it would cost here, or why it cannot be done."""
        ...

    def measure(self, workplace: Workplace) -> None:
        """Drive the instruments and write readings; decides nothing."""
        ...

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """Apply the profile's limits to the readings; touches no instrument, clock or file."""
        ...
