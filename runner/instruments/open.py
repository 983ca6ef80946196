"""Opens the bench: every instrument found, recognised, started, and put safe at the end."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, TextIO

from runner.bench import Bench, Instrument
from runner.bench_provider import OpenBench
from runner.clock import Clock, SystemClock
from runner.errors import BenchError, ConnectError, InputError
from runner.instruments.dialect import Dialect
from runner.instruments.dialect_files import dialect_for, load_dialect
from runner.instruments.driven import Driven, Seat
from runner.instruments.load import DrivenLoad
from runner.instruments.mains import DrivenMainsMeter, DrivenMainsSource
from runner.instruments.meter import DrivenMeter
from runner.instruments.open_hand import open_by_hand
from runner.instruments.roles import (
    Identity,
    Load,
    MainsMeter,
    MainsSource,
    Meter,
    Scope,
    Supply,
    Thermometer,
)  # fmt: skip
from runner.instruments.scope import DrivenScope
from runner.instruments.supply import DrivenSupply
from runner.instruments.thermometer import DrivenThermometer
from runner.instruments.worth import Worth
from runner.link.lockfile import ResourceLock
from runner.link.numbers import clean
from runner.link.opening import open_session
from runner.link.options import LinkOptions, link_options
from runner.link.session import Session
from runner.link.trace import Trace
from runner.operator.requests import Operator

__all__ = ["OpenInstruments", "identity_fields", "open_instruments"]

_MAKERS: dict[str, Callable[[Seat, Any], Driven]] = {
    "meter": DrivenMeter,
    "load": DrivenLoad,
    "scope": DrivenScope,
    "supply": DrivenSupply,
    "mains-meter": DrivenMainsMeter,
    "mains-source": DrivenMainsSource,
    "thermometer": DrivenThermometer,
}


class OpenInstruments:
    """The open bench; a role that it lacks is None. Closing it puts everything safe."""

    def __init__(self, trace_to: TextIO | None = None) -> None:
        self.trace_to = trace_to
        self.meter: Meter | None = None
        self.load: Load | None = None
        self.scope: Scope | None = None
        self.supply: Supply | None = None
        self.mains_meter: MainsMeter | None = None
        self.mains_source: MainsSource | None = None
        self.thermometer: Thermometer | None = None
        self.load_off_confirmed: bool | None = None
        self.troubles: list[str] = []
        self._all: list[tuple[Instrument, Any]] = []
        self._locks: list[ResourceLock] = []
        self._closed = False

    def __enter__(self) -> OpenInstruments:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add(self, entry: Instrument, made: Any) -> None:
        """Give the bench an instrument; the first of a role is the one that checks use."""
        self._all.append((entry, made))
        slot = entry.role.replace("-", "_")
        if getattr(self, slot, None) is None and slot in vars(self):
            setattr(self, slot, made)

    def hold(self, lock: ResourceLock) -> None:
        """Keep a resource's lock until the end."""
        self._locks.append(lock)

    def traces(self, n: int | None = None) -> dict[str, list[str]]:
        """The last ``n`` exchanges of each link as printable lines, for a record of trouble."""
        return {
            entry.name: made.trace_lines(n) for entry, made in self._all if isinstance(made, Driven)
        }

    def link_health(self) -> dict[str, dict[str, int]]:
        """What each link went through: transactions, repeats, recoveries, reopened…"""
        return {
            entry.name: made.link_counts() for entry, made in self._all if isinstance(made, Driven)
        }

    def check_settings(self) -> None:
        """Ask back what was set; somebody else may be driving an instrument.

        The supply is the unit itself: what it does by itself is for the checks to find.

        :raises InstrumentError: a setting is another now
        """
        for entry, made in self._all:
            if isinstance(made, Driven) and entry.role != "supply":
                made.check_settings()

    def last_output_v(self) -> float | None:
        """The output voltage that the meter read last."""
        return getattr(self.meter, "last_v", None)

    def identities(self) -> list[dict[str, Any]]:
        """Who is on the bench, as plain data for the journal."""
        return [
            {
                "name": entry.name,
                "role": entry.role,
                "address": entry.address,
                "certificate": entry.certificate or {},
                **asdict(made.identity()),
            }
            for entry, made in self._all
        ]

    def close(self) -> None:
        """Load off and read back, the others safe, sessions given back; may be called twice."""
        if self._closed:
            return
        self._closed = True
        if self.load is not None:
            self.load_off_confirmed = self.load.off_confirmed()
        for _, made in self._all:
            lost = made is self.load and not self.load_off_confirmed
            self._finish((made.close,) if lost else (made.make_safe, made.close))
        for lock in self._locks:
            lock.release()

    def _finish(self, steps: tuple[Callable[[], None], ...]) -> None:
        for step in steps:
            try:
                step()
            except BenchError as error:
                self.troubles.append(str(error))


def open_instruments(
    bench: Bench,
    opened: OpenBench | None,
    clock: Clock,
    operator: Operator | None = None,
    trace_to: TextIO | None = None,
) -> OpenInstruments:
    """Open every instrument of the bench file; those by hand are read by ``operator``.

    ``opened`` is the simulated bench, None for real addresses. All bytes of all links also go
    to ``trace_to`` when it is given; the last ones are always kept (see ``traces``).

    :raises InputError: a dialect or link option that cannot be
    :raises ConnectError: nobody there, in use, or not the instrument expected
    """
    instruments = OpenInstruments(trace_to)
    try:
        for entry in bench.instrument:
            if entry.role not in _MAKERS:
                continue
            if entry.address == "by-hand":
                ratings = _ratings(entry, bench)
                hand = open_by_hand(entry, ratings, operator, clock, instruments.last_output_v)
                instruments.add(entry, hand)
            else:
                instruments.add(entry, _open_one(entry, bench, opened, clock, instruments))
    except BaseException:
        instruments.close()
        raise
    return instruments


def _open_one(
    entry: Instrument,
    bench: Bench,
    opened: OpenBench | None,
    clock: Clock,
    instruments: OpenInstruments,
) -> Driven:
    address = entry.address
    library = entry.link.get("library")
    if opened is not None:
        address = opened.addresses.get(entry.name, address)
        library = opened.visa_library
    else:
        instruments.hold(ResourceLock(address, entry.name))
    options = {key: value for key, value in entry.link.items() if key != "library"}
    trace = None
    if instruments.trace_to is not None:
        trace = Trace(SystemClock(), sink=instruments.trace_to, name=entry.name)
    session, dialect, text = _recognise(entry, address, library, options, clock, trace)
    try:
        identity = _identity(entry, dialect, text)
        words = dialect.words(entry.role)
        if words is None:
            raise InputError(
                f"{entry.name}: dialect {dialect.name} has no words for this role",
                key="instrument.role",
                expected="one of " + ", ".join(dialect.roles),
                found=repr(entry.role),
            )
        worth = Worth(entry.name, identity.accuracy, entry.certificate or {}, clock.utc().date())
        seat = Seat(
            name=entry.name, session=session, dialect=dialect, words=words, identity=identity,
            clock=clock, worth=worth, ratings=_ratings(entry, bench), probes=dict(entry.probes),
        )  # fmt: skip
        made = _MAKERS[entry.role](seat, words)
        made.start()
    except BaseException:
        session.close()
        raise
    return made


def _recognise(
    entry: Instrument,
    address: str,
    library: Any,
    options: dict[str, Any],
    clock: Clock,
    trace: Trace | None,
) -> tuple[Session, Dialect, str]:
    """First contact: who answers, and which dialect that is."""
    if entry.dialect != "auto":
        dialect = load_dialect(entry.dialect, f"{entry.name}.dialect")
        session = open_session(
            entry.name, address, link_options(dialect.link, options, entry.name), clock,
            library=library, trace=trace,
        )  # fmt: skip
        return session, dialect, _who(session, dialect, entry, address)
    plain = link_options(LinkOptions(), options, entry.name)
    session = open_session(entry.name, address, plain, clock, library=library, trace=trace)
    try:
        dialect = dialect_for(_who(session, None, entry, address), entry.role)
    finally:
        session.close()
    own = link_options(dialect.link, options, entry.name)
    session = open_session(entry.name, address, own, clock, library=library, trace=trace)
    return session, dialect, _who(session, dialect, entry, address)


def _who(session: Session, dialect: Dialect | None, entry: Instrument, address: str) -> str:
    ask, n_bytes = ("*IDN?", 0) if dialect is None else (
        dialect.identity.ask, dialect.identity.n_bytes
    )  # fmt: skip
    try:
        text = session.ask(ask, str, session.options.first_timeout_s, n_bytes=n_bytes)
    except BenchError as error:
        session.close()
        raise ConnectError(_no_contact(entry, address, session, error)) from None
    if not text:
        session.close()
        raise ConnectError(f"{entry.name} at {address}: it does not say who it is")
    return text


def _no_contact(entry: Instrument, address: str, session: Session, error: BenchError) -> str:
    why = str(error).removeprefix(f"{entry.name}: ")
    causes = "is it switched on, is the address right, does another program hold it"
    if "SOCKET" in address.upper():
        causes += ", is this the port for commands (a greeting means: the port for people)"
        causes += f", does it end lines with {session.options.read_end!r}"
    return f"{entry.name} ({entry.role}) at {address}: {why}; {causes}?"


def _identity(entry: Instrument, dialect: Dialect, text: str) -> Identity:
    patterns = dialect.identity.patterns
    if patterns and not any(re.search(pattern, text) for pattern in patterns):
        raise ConnectError(
            f"{entry.name}: {text!r} answers, which is not a {dialect.title} ({dialect.name})"
        )
    maker, model, serial, firmware = identity_fields(dialect, text)
    if not patterns and not model:  # maker, model, serial number, firmware (IEEE 488.2, 10.14)
        raise ConnectError(
            f"{entry.name}: {text!r} answers, which is no identity:"
            " a maker and a model are expected"
        )
    if entry.serial is not None and entry.serial != serial:
        raise ConnectError(
            f"{entry.name}: serial number {entry.serial} was expected at this address,"
            f" {serial or 'none'} answers ({text!r})"
        )
    accuracy = dict(dialect.accuracy)
    for pattern, tables in dialect.accuracy_by_model.items():
        if re.search(pattern, model):
            accuracy.update(tables)
    return Identity(
        maker=maker, model=model, serial=serial, firmware=firmware, dialect=dialect.name,
        dialect_proven=dialect.proven, accuracy=accuracy, calibration_due=entry.calibration_due,
    )  # fmt: skip


def identity_fields(dialect: Dialect | None, text: str) -> tuple[str, str, str, str]:
    """Maker, model, serial number and firmware, as far as the identity has them."""
    if dialect is not None and dialect.identity.split is not None:
        match = re.search(dialect.identity.split, text)
        groups = match.groupdict() if match else {}
        found = [groups.get(key) or "" for key in ("maker", "model", "serial", "firmware")]
    else:
        found = [clean(part.encode("latin-1", "replace")) for part in text.split(",", maxsplit=3)]
        found += [""] * (4 - len(found))
    return found[0], found[1], found[2], found[3]


def _ratings(entry: Instrument, bench: Bench) -> dict[str, float]:
    given = {
        "current_max": entry.current_max,
        "voltage_max": entry.voltage_max,
        "power_max": entry.power_max,
        "line_hz": bench.mains.nominal.frequency_hz,
    }
    return {key: float(value) for key, value in given.items() if value is not None}
