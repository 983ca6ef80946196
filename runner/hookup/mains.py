"""How the mains reaches the unit, as edges: line, neutral, what stands in between, isolation."""

from __future__ import annotations

from runner.bench import Bench
from runner.hookup.edges import EARTH, Edge, Resistance, Source, Tie
from runner.profile import Profile

__all__ = ["CONTACT_OHMS", "isolated", "line_ohms", "mains_edges", "mains_volts"]

CONTACT_OHMS = 0.01


def mains_volts(bench: Bench) -> float:
    """Nominal line voltage in V rms."""
    return bench.mains.nominal.voltage_v


def isolated(bench: Bench) -> bool:
    """Whether the unit stands behind an isolating transformer whose secondary floats."""
    return (
        "isolating-transformer" in bench.mains.chain
        and "unit" in bench.mains.isolating_transformer_feeds
        and not bench.mains.isolating_secondary_earthed
    )


def line_ohms(bench: Bench) -> float:
    """Resistance in ohms that a fault current meets: socket, and the hot lamp if there is one.

    A lamp of power P on the line V has V²/P when it glows fully.
    """
    ohms = bench.mains.source_resistance
    if "lamp-limiter" in bench.mains.chain:
        ohms += mains_volts(bench) ** 2 / bench.mains.lamp_power
    return ohms


def mains_edges(bench: Bench, profile: Profile, *, swapped: bool = False) -> list[Edge]:
    """Edges of the mains side. ``swapped`` puts line and neutral the other way round."""
    del profile
    live, neutral = ("mains.n", "mains.l") if swapped else ("mains.l", "mains.n")
    edges: list[Edge] = [
        Source(
            live, neutral, "mains", ac_v=mains_volts(bench),
            surge_ohms=line_ohms(bench), ohms=line_ohms(bench),
        ),
        Tie("mains.l", "unit.mains-l", "mains lead of the unit, line", "inside", CONTACT_OHMS),
        Tie("mains.n", "unit.mains-n", "mains lead of the unit, neutral", "inside", CONTACT_OHMS),
        Resistance("unit.primary", "unit.mains-l", "rectifier on the mains side", CONTACT_OHMS),
    ]  # fmt: skip
    if not isolated(bench):
        edges.append(Resistance(neutral, EARTH, "neutral's earth at the origin", CONTACT_OHMS))
    for one in bench.instrument:
        if one.role in {"mains-source", "mains-meter"}:
            edges += [
                Tie(f"{one.name}.l", "unit.mains-l", "mains lead", "inside", CONTACT_OHMS),
                Tie(f"{one.name}.n", "unit.mains-n", "mains lead", "inside", CONTACT_OHMS),
                Tie(f"{one.name}.pe", EARTH, "protective conductor", "earth-lead", CONTACT_OHMS),
            ]
    return edges
