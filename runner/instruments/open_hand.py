"""Makes the roles that a person plays, from their entries of the bench file."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from runner.bench import Instrument
from runner.clock import Clock
from runner.errors import InputError
from runner.instruments.dialect_files import load_dialect
from runner.instruments.hand import HandLoad, HandMainsMeter, HandMeter, HandSeat, HandThermometer
from runner.instruments.hand_scope import HandScope
from runner.instruments.roles import Identity
from runner.instruments.worth import Worth
from runner.operator.requests import Operator

__all__ = ["open_by_hand"]

_KNOWN = {"resistors_ohm", "tolerance_pct", "input_ohms"}


def open_by_hand(
    entry: Instrument,
    ratings: dict[str, float],
    operator: Operator | None,
    clock: Clock,
    volts: Callable[[], float | None],
) -> Any:
    """The role's implementation for an entry with the address ``by-hand``.

    ``volts`` gives the output voltage measured last. A named dialect gives the accuracy.

    :raises InputError: a role that nobody can play by hand, or an unknown option
    """
    unknown = set(entry.link) - _KNOWN
    if unknown:
        raise InputError(
            "this key is not known for an instrument by hand",
            key=f"{entry.name}.link",
            expected="one of " + ", ".join(sorted(_KNOWN)),
            found=repr(min(unknown)),
        )
    seat = _seat(entry, ratings, operator, clock)
    if entry.role == "load":
        return HandLoad(seat, volts)
    if entry.role == "scope":
        return HandScope(seat, dict(entry.probes))
    makers = {"meter": HandMeter, "mains-meter": HandMainsMeter, "thermometer": HandThermometer}
    if entry.role not in makers:
        raise InputError(
            f"{entry.name}: this role cannot be played by hand",
            key="instrument.role",
            expected="one of load, scope, " + ", ".join(makers),
            found=repr(entry.role),
        )
    return makers[entry.role](seat)


def _seat(
    entry: Instrument, ratings: dict[str, float], operator: Operator | None, clock: Clock
) -> HandSeat:
    named = (
        None if entry.dialect == "auto" else load_dialect(entry.dialect, f"{entry.name}.dialect")
    )
    what = " ".join(part for part in (entry.maker, entry.model) if part) or f"the {entry.name}"
    identity = Identity(
        maker=entry.maker or "",
        model=entry.model or "",
        serial=entry.serial or "",
        firmware="",
        dialect=named.name if named else "by-hand",
        dialect_proven=True,
        accuracy=dict(named.accuracy) if named else {},
        calibration_due=entry.calibration_due,
    )
    return HandSeat(
        name=entry.name,
        what=what,
        identity=identity,
        operator=operator,
        clock=clock,
        worth=Worth(entry.name, identity.accuracy, entry.certificate or {}, clock.utc().date()),
        ratings=ratings,
        options=dict(entry.link),
    )
