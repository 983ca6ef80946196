"""Everything that stands on one simulated bench: the unit, the instruments, the wires."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sim_instruments.bench_clock import BenchTime
from sim_instruments.families.family import SpokenIdentity
from sim_instruments.families.table import (
    LOADS,
    MAINS_METERS,
    MAINS_SOURCES,
    METERS,
    SCOPES,
    SUPPLIES,
    THERMOMETERS,
)
from sim_instruments.load import Load, LoadRating
from sim_instruments.mains_gear import MainsMeter, MainsSource, Thermometer
from sim_instruments.manners import Rudeness
from sim_instruments.meter import Meter
from sim_instruments.plant import design_unit
from sim_instruments.scope import Scope
from sim_instruments.scope_front import ProbeOnUnit
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.site import Leads, Site
from sim_instruments.supply import Supply

__all__ = ["Stand", "node_of"]

_NODES = {
    "plus": "plus", "minus": "minus", "sense-plus": "plus", "sense-minus": "minus",
    "earth": "earth", "chassis": "earth", "raw": "raw", "coil1": "coil1", "coil2": "coil2",
    "coil3": "coil3",
}  # fmt: skip
_MODELS = {
    "meter": "BM-65", "load": "EL-300", "scope": "OS-412", "supply": "", "mains-source": "AS-500",
    "mains-meter": "PM-210", "thermometer": "TH-2",
}  # fmt: skip
_HARD_OHM = 0.02  # a clip or strap


class Stand:
    """Builds the unit and its instruments from bench file and profile."""

    def __init__(
        self,
        bench: Any,
        profile: Any,
        clock: BenchTime,
        *,
        seed: int,
        faults: Sequence[str] = (),
        options: Mapping[str, Any] | None = None,
    ) -> None:
        self.bench, self.profile, self.clock, self.seed = bench, profile, clock, seed
        self.options: Mapping[str, Any] = options or {}
        self.plant = Site(design_unit(profile, seed), clock, seed, faults=tuple(faults))
        self.wires: list[tuple[str, str]] = [(w.a, w.b) for w in bench.connection]
        self.strap = bench.unit.earth_strap
        self._arrange_mains()
        if profile.unit.setting == "hand":
            self.plant.set_knob(0.0)  # found turned down
        self.instruments: dict[str, ScpiInstrument] = {}
        self.rudeness: dict[str, Rudeness] = {}
        for entry in bench.instrument:
            build = self._builders().get(entry.role)
            if build is not None and entry.address != "by-hand":
                self.instruments[entry.name] = build(entry)
                self.rudeness[entry.name] = Rudeness(_rules(self.options, entry.name))
        self.tie_to_earth()

    # --- building

    def _builders(self) -> dict[str, Callable[[Any], ScpiInstrument]]:
        return {
            "meter": self._meter,
            "load": self._load,
            "scope": self._scope,
            "supply": self._supply,
            "mains-source": self._mains_source,
            "mains-meter": lambda e: self._watching(e, MAINS_METERS, MainsMeter),
            "thermometer": lambda e: self._watching(e, THERMOMETERS, Thermometer),
        }

    def _identity(self, entry: Any) -> Identity:
        maker = entry.maker or "Tessolo"
        model = entry.model or _MODELS[entry.role]
        serial = entry.serial or f"S{self.seed:04d}-{entry.name}"
        if entry.role == "supply":
            unit = self.profile.unit
            maker, model = entry.maker or unit.maker, entry.model or unit.model
        return Identity(maker, model, serial)

    def _kind(self, entry: Any, table: Mapping[str, Any], plain: Any) -> tuple[Any, Identity]:
        """The twin of the family that the options name for this instrument, else the plain one."""
        who = self._identity(entry)
        family = self.options.get("families", {}).get(entry.name)
        if not family:
            return plain, who
        kind, serial = table[family], entry.serial or f"{self.seed:08d}"
        return kind, SpokenIdentity(who.maker, who.model, serial, form=kind.idn)

    def _meter(self, entry: Any) -> Meter:
        kind, who = self._kind(entry, METERS, Meter)
        return kind(  # type: ignore[no-any-return]
            who, self.clock, self.plant,
            self.leads(f"{entry.name}.hi", f"{entry.name}.lo"), name=entry.name, seed=self.seed,
            line_hz=self.profile.unit.mains.frequency_hz,
        )  # fmt: skip

    def _load(self, entry: Any) -> Load:
        rating = LoadRating(
            entry.current_max or 30.0, entry.voltage_max or 150.0, entry.power_max or 300.0
        )
        kind, who = self._kind(entry, LOADS, Load)
        return kind(  # type: ignore[no-any-return]
            who, self.clock, self.plant,
            self.leads(f"{entry.name}.plus", f"{entry.name}.minus"), name=entry.name,
            seed=self.seed, rating=getattr(kind, "rated", rating),
        )  # fmt: skip

    def _scope(self, entry: Any) -> Scope:
        probes = {}
        for number in (1, 2, 3, 4):
            channel = f"ch{number}"
            probe = entry.probes.get(channel)
            factor = probe.factor if probe else 1.0
            given_hz = probe.bandwidth_hz if probe else None
            coax = probe is None or probe.kind == "coax"
            own_hz = given_hz or (1e9 if coax else 8e6 if factor == 1.0 else 150e6)
            head = f"{entry.name}.{channel}"
            probes[number] = ProbeOnUnit(self.leads(f"{head}.tip", f"{head}.shell"), factor, own_hz)
        kind, who = self._kind(entry, SCOPES, Scope)
        bits = getattr(kind, "own_bits", int(self.options.get("bits", 12)))
        return kind(  # type: ignore[no-any-return]
            who, self.clock, self.plant, probes, name=entry.name, seed=self.seed, bits=bits
        )  # fmt: skip

    def _supply(self, entry: Any) -> Supply:
        unit = self.profile.unit
        kind, who = self._kind(entry, SUPPLIES, Supply)
        supply: Supply = kind(
            who, self.clock, self.plant,
            v_max=unit.voltage.high, i_max=unit.current.high,
        )  # fmt: skip
        if unit.setting == "remote":
            supply.apply()  # found with its output off
        return supply

    def _mains_source(self, entry: Any) -> MainsSource:
        nominal = self.bench.mains.nominal
        kind, who = self._kind(entry, MAINS_SOURCES, MainsSource)
        return kind(  # type: ignore[no-any-return]
            who, self.clock, self.plant,
            nominal_v=nominal.voltage_v, nominal_hz=nominal.frequency_hz,
        )  # fmt: skip

    def _watching(self, entry: Any, table: Mapping[str, Any], plain: Any) -> ScpiInstrument:
        kind, who = self._kind(entry, table, plain)
        return kind(  # type: ignore[no-any-return]
            who, self.clock, self.plant, name=entry.name, seed=self.seed
        )

    def _arrange_mains(self) -> None:
        nominal = self.bench.mains.nominal
        self.plant.set_mains(nominal.voltage_v, nominal.frequency_hz)
        standing = ("isolating-transformer", "variac", "lamp-limiter")
        chain = tuple(part for part in self.bench.mains.chain if part in standing)
        if chain:
            self.plant.set_arrangement(chain)

    # --- wires

    def leads(self, hi: str, lo: str) -> Leads:
        """Where two terminals of an instrument end on the unit."""
        return Leads(self.node(hi), self.node(lo))

    def node(self, terminal: str) -> str:
        """Node of the unit that a terminal reaches over wires, empty if none."""
        seen, todo = {terminal}, [terminal]
        while todo:
            here = todo.pop()
            owner, _, name = here.partition(".")
            if owner == "unit":
                return _NODES.get(name, "")
            for a, b in self.wires:
                for near, far in ((a, b), (b, a)):
                    if near == here and far not in seen:
                        seen.add(far)
                        todo.append(far)
        return ""

    def tie_to_earth(self) -> None:
        """Let strap, earthed shells and earthed inputs act on the unit."""
        self._tie("strap", {"plus": "plus", "minus": "minus"}.get(self.strap, ""))
        for entry in self.bench.instrument:
            earthed = entry.reference in ("earthed", "unknown")
            lows = {
                "meter": ["lo"],
                "load": ["minus"],
                "scope": [f"ch{n}.shell" for n in range(1, 5)],
            }
            for low in lows.get(entry.role, []):
                terminal = f"{entry.name}.{low}"
                self._tie(terminal, self.node(terminal) if earthed else "")
            if entry.role == "scope":
                self._join_shells(entry)

    def _join_shells(self, entry: Any) -> None:
        """Shells that are joined inside the scope short the nodes that they are clipped to."""
        nodes = {self.node(f"{entry.name}.ch{n}.shell") for n in range(1, 5)}
        name = f"{entry.name}.shells"
        if entry.reference == "joined" and {"plus", "minus"} <= nodes:
            self.plant.attach(name, "plus", "minus", _HARD_OHM)
        else:
            self.plant.detach(name)

    def _tie(self, name: str, node: str) -> None:
        if node in ("plus", "minus"):
            self.plant.attach(name, node, "earth", _HARD_OHM)
        else:
            self.plant.detach(name)

    def move(self, lead: str, to: str) -> bool:
        """Take a lead off and put it elsewhere (`to` empty: nowhere); False for no such lead."""
        names = {entry.name for entry in self.bench.instrument}
        if lead.partition(".")[0] not in names:
            return False
        self.wires = [wire for wire in self.wires if lead not in wire]
        if to:
            self.wires.append((lead, to))
        self._rewire()
        return True

    def _rewire(self) -> None:
        for name, instrument in self.instruments.items():
            if isinstance(instrument, Meter):
                leads = self.leads(f"{name}.hi", f"{name}.lo")
                instrument.move_leads(leads.hi, leads.lo)
            elif isinstance(instrument, Load):
                instrument.leads = self.leads(f"{name}.plus", f"{name}.minus")
                instrument.apply()
            elif isinstance(instrument, Scope):
                for number, probe in instrument.probes.items():
                    head = f"{name}.ch{number}"
                    probe.leads = self.leads(f"{head}.tip", f"{head}.shell")
        self.tie_to_earth()

    def address(self, name: str) -> str:
        """Address that the bench file gives an instrument."""
        return next(str(e.address) for e in self.bench.instrument if e.name == name)


def node_of(terminal: str) -> str:
    """Node of the unit behind `unit.plus` or `plus`; empty for anything else."""
    return _NODES.get(terminal.removeprefix("unit."), "")


def _rules(options: Mapping[str, Any], name: str) -> Sequence[str]:
    rude = options.get("rude", {})
    rules = rude.get(name, ()) if isinstance(rude, Mapping) else ()
    return [rules] if isinstance(rules, str) else list(rules)
