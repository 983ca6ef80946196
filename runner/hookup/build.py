"""Puts the graph together from the bench file, the profile and what was measured."""

from __future__ import annotations

from runner.bench import Bench, Connection
from runner.hookup.earth_reference import EarthReference
from runner.hookup.edges import Diode, Edge, Resistance, Tie
from runner.hookup.graph import Graph
from runner.hookup.instruments import instrument_edges
from runner.hookup.mains import mains_edges
from runner.hookup.unit import unit_edges
from runner.profile import Profile

__all__ = ["MOST_TIE_OHMS", "build_graph", "wire_name"]

MOST_TIE_OHMS = 10.0
"""A lead of at most this resistance counts as a hard connection."""


def build_graph(
    bench: Bench,
    profile: Profile,
    measured: EarthReference | None = None,
    *,
    swapped: bool = False,
) -> Graph:
    """Return the bench as a graph; ``swapped`` puts line and neutral the other way round."""
    return Graph(
        (
            *(_wire(wire) for wire in bench.connection),
            *_monitor_cables(bench),
            *unit_edges(bench, profile, measured),
            *instrument_edges(bench),
            *mains_edges(bench, profile, swapped=swapped),
        )
    )


def wire_name(wire: Connection) -> str:
    """Return the label the person gave, else the two ends."""
    return wire.label or f"wire {wire.a} to {wire.b}"


def _wire(wire: Connection) -> Edge:
    name = wire_name(wire)
    if wire.diode:
        return Diode(wire.a, wire.b, name, wire.resistance)
    if wire.resistance > MOST_TIE_OHMS:
        return Resistance(wire.a, wire.b, name, wire.resistance)
    return Tie(wire.a, wire.b, name, "wire", wire.resistance)


def _monitor_cables(bench: Bench) -> list[Edge]:
    """A coax from a load's monitor output brings its screen along, said or not."""
    edges: list[Edge] = []
    for wire in bench.connection:
        for here, there in ((wire.a, wire.b), (wire.b, wire.a)):
            if here.endswith(".monitor") and there.endswith(".tip"):
                shell, screen = there.removesuffix("tip") + "shell", here + "-shell"
                name = f"screen of {wire_name(wire)}"
                edges.append(Tie(shell, screen, name, "wire", 0.025))
    return edges
