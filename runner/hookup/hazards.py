"""What a hazard is, and the wiring as the rules see it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Any

from runner.bench import Bench
from runner.hookup.build import build_graph, wire_name
from runner.hookup.earth_reference import EarthReference
from runner.hookup.edges import Capacitance, Diode, Edge, Resistance, Source, Tie
from runner.hookup.graph import Graph
from runner.hookup.solve import Solution, solve
from runner.profile import Profile
from runner.quantity import format_quantity

__all__ = ["Grade", "Hazard", "Wiring", "joined_names", "leads_in", "wires_at", "written"]


class Grade(StrEnum):
    """What a hazard asks for: stop the work, ask a person, or only say it."""

    STOP = "stop"
    ASK = "ask"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Hazard:
    """One fault of the hookup or of the work.

    ``value`` in ``unit`` is the number that matters most, None where none applies; ``numbers``
    holds all of them by name with the unit in the name (``surge_a``, ``sustained_a``,
    ``energy_j``, ``volts``). ``wires`` are named as the person labelled them. ``loop`` holds the
    points of the path in question for the drawing. ``defers`` says that local codes and a
    licensed person have the last word.
    """

    code: str
    grade: Grade
    sentence: str
    remedy: str
    value: float | None = None
    unit: str = ""
    wires: tuple[str, ...] = ()
    defers: bool = False
    numbers: Mapping[str, float] = field(default_factory=dict)
    loop: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the journal and ``--json``."""
        return {
            "code": self.code,
            "grade": str(self.grade),
            "sentence": self.sentence,
            "value": self.value,
            "unit": self.unit,
            "numbers": dict(self.numbers),
            "remedy": self.remedy,
            "wires": list(self.wires),
            "loop": list(self.loop),
            "defers": self.defers,
        }


@dataclass(frozen=True)
class Wiring:
    """Everything a rule may look at. Solutions are worked out when first asked for."""

    bench: Bench
    profile: Profile
    measured: EarthReference | None = None

    @cached_property
    def graph(self) -> Graph:
        """The bench with line and neutral as they should be."""
        return build_graph(self.bench, self.profile, self.measured)

    @cached_property
    def surge(self) -> Solution:
        """Direct voltages and currents of the first instant, before any current limit."""
        return solve(self.graph.edges)

    @cached_property
    def sustained(self) -> Solution:
        """Direct voltages and currents once the current limits act."""
        return solve(self.graph.edges, moment="sustained")

    @cached_property
    def line(self) -> tuple[tuple[Graph, Solution], ...]:
        """At the mains frequency, without strays, for both ways the plug may be in."""
        frequency_hz = self.bench.mains.nominal.frequency_hz
        solved = []
        for swapped in (False, True):
            graph = build_graph(self.bench, self.profile, self.measured, swapped=swapped)
            stiff = Graph(tuple(e for e in graph.edges if not isinstance(e, Capacitance)))
            solved.append((stiff, solve(stiff.edges, frequency_hz=frequency_hz)))
        return tuple(solved)

    def direct_a(self, name: str, solution: Solution) -> float:
        """Largest direct current in A through the sources of this name."""
        return _source_a(self.graph, name, solution)

    @cached_property
    def mains_a(self) -> float:
        """Worst current of the mains in A rms, for both ways the plug may be in."""
        return max(_source_a(graph, "mains", solved) for graph, solved in self.line)

    def wired(self, point: str) -> bool:
        """Whether a wire of the bench file ends here."""
        return any(point in (wire.a, wire.b) for wire in self.bench.connection)


def _source_a(graph: Graph, name: str, solution: Solution) -> float:
    return max(
        (
            abs(solution.currents[number])
            for number, edge in enumerate(graph.edges)
            if isinstance(edge, Source) and edge.name == name
        ),
        default=0.0,
    )


def joined_names(path: Iterable[Edge]) -> str:
    """Name the edges of a path in order, each once."""
    return ", ".join(dict.fromkeys(edge.name for edge in path))


def leads_in(path: Iterable[Edge]) -> tuple[str, ...]:
    """Names of what a person can take off along a path: wires, straps, cables, resistors."""
    loose = {"wire", "strap", "cable"}
    return tuple(
        dict.fromkeys(
            edge.name
            for edge in path
            if isinstance(edge, Diode | Resistance)
            or (isinstance(edge, Tie) and edge.kind in loose)
        )
    )


def wires_at(bench: Bench, points: Iterable[str]) -> tuple[str, ...]:
    """Names of the wires that end at any of these points."""
    ends = set(points)
    return tuple(wire_name(wire) for wire in bench.connection if ends & {wire.a, wire.b})


def written(value: float, unit: str) -> str:
    """Write a number to three digits with its unit."""
    return format_quantity(value, unit, 3)
