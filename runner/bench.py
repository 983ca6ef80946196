"""The bench file: which instruments, what each is connected to, and how the mains arrives."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from runner.errors import InputError
from runner.profile import Amperes, Mains, StrictModel, Volts, quantity_in, shipped_profiles
from runner.terminals import unknown_terminal
from runner.toml_source import load_model

__all__ = [
    "Bench",
    "Connection",
    "Instrument",
    "MainsArrangement",
    "Probe",
    "Simulation",
    "UnitOnBench",
    "find_bench",
    "load_bench",
]

Role = Literal[
    "meter",
    "load",
    "scope",
    "supply",
    "mains-source",
    "mains-meter",
    "thermometer",
    "second-source",
]
Reference = Literal["earthed", "joined", "isolated", "differential", "unknown"]

Watts = Annotated[float, *quantity_in("W")]
Ohms = Annotated[float, *quantity_in("Ω")]


class Probe(StrictModel):
    """What sits between a scope channel and the unit."""

    factor: float = Field(default=1.0, gt=0)
    bandwidth_hz: float | None = Field(default=None, gt=0)
    kind: Literal["passive", "coax", "differential"] = "passive"
    common_mode_max: Volts | None = None


class Instrument(StrictModel):
    """One instrument: role, address, dialect, and how its terminals stand to earth.

    ``reference`` is the electrical class of its inputs: ``earthed`` (shells or negative on
    protective earth), ``joined`` (floating, shells joined to each other), ``isolated`` (each
    input on its own, up to ``isolation_rating``), ``differential``, ``unknown`` (taken as
    earthed). ``interface`` is the cable to the computer.
    """

    name: str = Field(pattern=r"^[a-z][a-z0-9-]*$")
    role: Role
    address: str = ""
    dialect: str = "auto"
    serial: str | None = None
    maker: str | None = None
    model: str | None = None
    reference: Reference = "unknown"
    isolation_rating: Volts | None = None
    interface: Literal["none", "lan", "usb", "gpib", "serial", "fibre"] = "lan"
    earthed_by_mains: bool = True
    voltage_max: Volts | None = None
    current_max: Amperes | None = None
    power_max: Watts | None = None
    calibration_due: str | None = None
    certificate: dict[str, Any] | None = None
    probes: dict[str, Probe] = Field(default_factory=dict)
    link: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _address_given(self) -> Instrument:
        if not self.address:
            raise ValueError("expected address, a VISA resource name or 'by-hand', found nothing")
        return self


class Connection(StrictModel):
    """A wire between two terminals, named ``instrument.terminal`` or ``unit.terminal``."""

    a: str = Field(alias="from")
    b: str = Field(alias="to")
    label: str = ""


class MainsArrangement(StrictModel):
    """How the unit gets its mains: what stands in the line, from the wall to the unit."""

    nominal: Mains
    chain: tuple[
        Literal["isolating-transformer", "variac", "lamp-limiter", "mains-source", "mains-meter"],
        ...,
    ] = ()
    isolating_transformer_feeds: tuple[str, ...] = ("unit",)


class UnitOnBench(StrictModel):
    """How the unit itself stands on the bench."""

    earth_strap: Literal["none", "plus", "minus"] = "none"
    case: Literal["closed", "open"] = "closed"
    bleed_resistor: Ohms = 1e6


class Simulation(StrictModel):
    """A simulated bench: the provider that brings it, the unit's profile, and the seed."""

    provider: str
    unit: str
    seed: int = 1
    options: dict[str, Any] = Field(default_factory=dict)


class Bench(StrictModel):
    """Everything that stands on the bench."""

    format: Literal[1]
    name: str = Field(min_length=1)
    mains: MainsArrangement
    unit: UnitOnBench = UnitOnBench()
    simulation: Simulation | None = None
    instrument: tuple[Instrument, ...] = Field(min_length=1)
    connection: tuple[Connection, ...] = ()

    @model_validator(mode="after")
    def _names_and_wires(self) -> Bench:
        names = [one.name for one in self.instrument]
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"expected each instrument's name once, found {min(twice)!r} twice")
        roles = {one.name: one.role for one in self.instrument}
        for wire in self.connection:
            for end in (wire.a, wire.b):
                problem = unknown_terminal(end, roles)
                if problem:
                    raise ValueError(problem)
            if wire.a == wire.b:
                raise ValueError(f"expected a wire between two terminals, found {wire.a!r} twice")
        return self

    def by_role(self, role: str) -> Instrument | None:
        """Return the first instrument with this role, None when the bench has none."""
        return next((one for one in self.instrument if one.role == role), None)

    def wired_to(self, terminal: str) -> list[str]:
        """Terminals joined to this one by a single wire."""
        return [w.b if w.a == terminal else w.a for w in self.connection if terminal in (w.a, w.b)]

    def scope_channel_on(self, terminal: str) -> str | None:
        """Return e.g. ``scope.ch1`` for the scope channel whose tip is on this terminal."""
        for end in self.wired_to(terminal):
            if end.endswith(".tip"):
                return end.removesuffix(".tip")
        return None


def find_bench(name: str) -> Path:
    """Return the bench file given by path or by the name of one that comes along.

    :raises InputError: neither
    """
    shipped = shipped_profiles() / "benches"
    for place in (Path(name), shipped / f"{name}.toml"):
        if place.is_file():
            return place
    known = ", ".join(sorted(p.stem for p in shipped.glob("*.toml")))
    raise InputError(
        "there is no such bench file",
        key="bench",
        expected=f"a file, or one of {known}",
        found=repr(name),
    )


def load_bench(path: Path) -> Bench:
    """Read a bench file.

    :raises InputError: with file, line, key, expected and found
    """
    return load_model(Bench, path)
