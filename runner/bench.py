"""The bench file: which instruments, what each is connected to, and how the mains arrives."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from runner.errors import InputError
from runner.instruments.named_dialects import check_named_dialects
from runner.profile import Amperes, Mains, StrictModel, Volts, quantity_in, shipped_profiles
from runner.terminals import unknown_terminal
from runner.toml_source import PlacedError, load_model

__all__ = [
    "Bench",
    "Computer",
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
Ohms = Annotated[float, *quantity_in("Ω"), Field(ge=0)]
Farads = Annotated[float, *quantity_in("F"), Field(ge=0)]


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
    earthed). ``interface`` is the cable to the computer: USB, GPIB and serial bring the
    computer's earth to the case unless ``interface_isolated`` (fibre, USB isolator); LAN is
    isolated by its transformers unless ``interface_screened``. ``earth_lifted`` confesses a
    mains lead whose earth was cut or taped over: always refused. ``monitor`` says what the
    screen of a load's monitor output stands on. The three ``source_…`` keys and
    ``reverse_diode`` describe a second source (battery, second supply).
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
    interface_isolated: bool = False
    interface_screened: bool = False
    earthed_by_mains: bool = True
    earth_lifted: bool = False
    voltage_max: Volts | None = None
    current_max: Amperes | None = None
    power_max: Watts | None = None
    monitor: Literal["minus", "chassis", "isolated", "unknown"] = "unknown"
    monitor_common_mode_max: Volts | None = None
    source_voltage: Volts | None = None
    source_current: Amperes | None = None
    source_resistance: Ohms = 0.1
    reverse_diode: bool = False
    calibration_due: str | None = None
    certificate: dict[str, Any] | None = None
    probes: dict[str, Probe] = Field(default_factory=dict)
    link: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _address_given(self) -> Instrument:
        if not self.address:
            raise ValueError("expected address, a VISA resource name or 'by-hand', found nothing")
        if self.role == "second-source" and self.source_voltage is None:
            raise ValueError("expected source_voltage for a second source, found nothing")
        return self


class Connection(StrictModel):
    """A wire between two terminals, named ``instrument.terminal`` or ``unit.terminal``.

    ``resistance`` is that of the lead (25 mΩ when it is not said) or of a resistor in it;
    ``diode`` is a diode in it that conducts from ``from`` to ``to``.
    """

    a: str = Field(alias="from")
    b: str = Field(alias="to")
    label: str = ""
    resistance: Ohms = 0.025
    diode: bool = False


class MainsArrangement(StrictModel):
    """How the unit gets its mains: what stands in the line, from the wall to the unit.

    ``source_resistance`` is the loop resistance of the socket, ``lamp_power`` the rating of the
    limiting lamp, ``earth_reaches_unit`` whether the protective conductor goes through to the
    unit.
    """

    nominal: Mains
    chain: tuple[
        Literal["isolating-transformer", "variac", "lamp-limiter", "mains-source", "mains-meter"],
        ...,
    ] = ()
    isolating_transformer_feeds: tuple[str, ...] = ("unit",)
    isolating_secondary_earthed: bool = False
    source_resistance: Ohms = 0.5
    lamp_power: Watts = 60.0
    earth_reaches_unit: bool = True


class UnitOnBench(StrictModel):
    """How the unit itself stands on the bench.

    The capacitors are what a short or a finger would discharge; the figures stand for a unit
    whose circuit is not known.
    """

    earth_strap: Literal["none", "plus", "minus"] = "none"
    case: Literal["closed", "open"] = "closed"
    bleed_resistor: Ohms = 1e6
    output_capacitor: Farads = 470e-6
    output_capacitor_esr: Ohms = 0.05
    primary_capacitor: Farads = 220e-6


class Computer(StrictModel):
    """The computer that drives the instruments; its earth comes along on every USB cable."""

    power: Literal["earthed", "battery", "double-insulated"] = "earthed"


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
    pc: Computer = Computer()
    simulation: Simulation | None = None
    instrument: tuple[Instrument, ...] = Field(min_length=1)
    connection: tuple[Connection, ...] = ()

    @model_validator(mode="after")
    def _names(self) -> Bench:
        names = [one.name for one in self.instrument]
        for index, name in enumerate(names):
            where = ("instrument", index, "name")
            if name in names[:index]:
                raise PlacedError(
                    f"expected each instrument's name once, found {name!r} twice", where
                )
            if name in {"unit", "pc"}:
                raise PlacedError(f"expected another name than unit or pc, found {name!r}", where)
        for fed in self.mains.isolating_transformer_feeds:
            if fed not in {"unit", *names}:
                raise PlacedError(
                    f"expected unit or an instrument's name, found {fed!r}",
                    ("mains", "isolating_transformer_feeds"),
                )
        return self

    @model_validator(mode="after")
    def _wires(self) -> Bench:
        roles = {one.name: one.role for one in self.instrument}
        seen: dict[frozenset[str], int] = {}
        for index, wire in enumerate(self.connection):
            for key, end in (("from", wire.a), ("to", wire.b)):
                problem = unknown_terminal(end, roles)
                if problem:
                    raise PlacedError(problem, ("connection", index, key))
            if wire.a == wire.b:
                raise PlacedError(
                    f"expected a wire between two terminals, found {wire.a!r} twice",
                    ("connection", index, "to"),
                )
            pair = frozenset((wire.a, wire.b))
            if pair in seen:
                raise PlacedError(
                    f"expected each wire once, found {wire.a!r} to {wire.b!r}"
                    f" already as connection {seen[pair] + 1}",
                    ("connection", index, "from"),
                )
            seen[pair] = index
        return self

    def by_role(self, role: str) -> Instrument | None:
        """Return the first instrument with this role, None when the bench has none."""
        return next((one for one in self.instrument if one.role == role), None)

    def by_hand(self, role: str) -> bool:
        """Whether a person plays this role."""
        entry = self.by_role(role)
        return entry is not None and entry.address == "by-hand"

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
    bench = load_model(Bench, path)
    check_named_dialects(bench.instrument, path)
    return bench
