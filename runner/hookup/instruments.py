"""What each instrument brings to the hookup: the ties of its electrical class.

An input that nobody described is taken as earthed; its edges say so.
"""

from __future__ import annotations

from itertools import combinations

from runner.bench import Bench, Instrument
from runner.hookup.edges import EARTH, Edge, Isolation, Resistance, Source, Tie

__all__ = ["LAN_RATED_V", "instrument_edges", "used_channels"]

INSIDE_OHMS = 1e-3
LAN_RATED_V = 1500.0
"""Rated voltage of LAN transformers (common practice, IEEE 802.3 isolation requirement)."""
MONITOR_RATED_V = 3.0
"""Common mode a load's monitor screen stands against its − (a maker's figure, used as default)."""
UNKNOWN = " (not said, taken as earthed)"


def instrument_edges(bench: Bench) -> list[Edge]:
    """Edges of all instruments and of the computer."""
    edges: list[Edge] = []
    if bench.pc.power == "earthed":
        edges.append(Tie("pc.earth", EARTH, "mains lead of the computer", "earth-lead", 0.1))
    for one in bench.instrument:
        edges += _inputs(bench, one)
        edges += _case(one)
    return edges


def used_channels(bench: Bench, scope: Instrument) -> tuple[str, ...]:
    """Channels of a scope that a wire leads to, e.g. ("ch1", "ch2")."""
    ends = [end for wire in bench.connection for end in (wire.a, wire.b)]
    prefix = f"{scope.name}.ch"
    return tuple(sorted({end.split(".")[1] for end in ends if end.startswith(prefix)}))


def _inputs(bench: Bench, one: Instrument) -> list[Edge]:
    edges: list[Edge] = []
    match one.role:
        case "scope":
            edges = _scope(bench, one)
        case "load":
            edges = [
                *_reference(one, ("minus", "plus")),
                *(_monitor(one) if _monitored(bench, one) else []),
            ]
        case "meter":
            hi, lo = f"{one.name}.hi", f"{one.name}.lo"
            edges = [
                *_reference(one, ("lo", "hi")),
                Resistance(hi, lo, f"input of {one.name}", 1e7),
            ]
        case "second-source":
            edges = [*_reference(one, ("minus", "plus")), _second_source(one)]
        case "thermometer":
            edges = _reference(one, ("probe",))
        case "supply":
            edges = _reference(one, ("remote",), {"remote": "unit.minus"})
    return edges


def _reference(
    one: Instrument, terminals: tuple[str, ...], points: dict[str, str] | None = None
) -> list[Edge]:
    """Tie the first terminal as the class says; when isolated, isolate all of them."""
    named = {t: (points or {}).get(t, f"{one.name}.{t}") for t in terminals}
    first = named[terminals[0]]
    match one.reference:
        case "earthed" | "unknown":
            said = UNKNOWN if one.reference == "unknown" else ""
            return [
                Tie(first, f"{one.name}.case", f"inside {one.name}{said}", "inside", INSIDE_OHMS)
            ]
        case "joined":
            return [Tie(first, f"{one.name}.common", f"inside {one.name}", "inside", INSIDE_OHMS)]
        case _:
            name = f"isolation of {one.name}"
            return [
                Isolation(point, f"{one.name}.case", name, one.isolation_rating)
                for point in named.values()
            ]


def _scope(bench: Bench, one: Instrument) -> list[Edge]:
    edges: list[Edge] = []
    channels = used_channels(bench, one)
    for channel in channels:
        probe = one.probes.get(channel)
        tip, shell = f"{one.name}.{channel}.tip", f"{one.name}.{channel}.shell"
        factor = probe.factor if probe else 1.0
        where = f"{one.name} {channel}"
        edges.append(Resistance(tip, shell, f"input of {where}", 1e6 * max(factor, 1.0)))
        if probe is not None and probe.kind == "differential":
            name = f"differential probe on {where}"
            rated_v = probe.common_mode_max
            case = f"{one.name}.case"
            edges += [Isolation(end, case, name, rated_v, "differential") for end in (tip, shell)]
        else:
            edges += _reference(one, (f"{channel}.shell",))
    if one.reference == "isolated":
        shells = [f"{one.name}.{channel}.shell" for channel in channels]
        name = f"isolation between channels of {one.name}"
        edges += [
            Isolation(a, b, name, one.isolation_rating, "channels")
            for a, b in combinations(shells, 2)
        ]
    return edges


def _monitored(bench: Bench, one: Instrument) -> bool:
    start = f"{one.name}.monitor"
    return any(end.startswith(start) for wire in bench.connection for end in (wire.a, wire.b))


def _monitor(one: Instrument) -> list[Edge]:
    screen, name = f"{one.name}.monitor-shell", f"monitor output of {one.name}"
    match one.monitor:
        case "chassis":
            return [Tie(screen, f"{one.name}.case", name, "inside", INSIDE_OHMS)]
        case "isolated":
            return [Isolation(screen, f"{one.name}.case", name, one.isolation_rating)]
        case "minus":
            rated_v = one.monitor_common_mode_max or MONITOR_RATED_V
            return [
                Isolation(screen, f"{one.name}.minus", name, rated_v, "monitor"),
                Resistance(screen, f"{one.name}.minus", name, 1e4),
            ]
        case _:
            name += " (not said, taken as joined to −)"
            return [Tie(screen, f"{one.name}.minus", name, "inside", INSIDE_OHMS)]


def _second_source(one: Instrument) -> Edge:
    return Source(
        f"{one.name}.plus", f"{one.name}.minus", one.name, dc_v=one.source_voltage or 0.0,
        surge_ohms=one.source_resistance, ohms=one.source_resistance, limit_a=one.source_current,
    )  # fmt: skip


def _case(one: Instrument) -> list[Edge]:
    """Ties of the case: its mains lead's earth, and the computer's by the data cable."""
    case = f"{one.name}.{'common' if one.reference == 'joined' else 'case'}"
    edges: list[Edge] = []
    grounded = one.earthed_by_mains and one.reference != "joined"
    if (grounded or one.reference in {"earthed", "unknown"}) and not one.earth_lifted:
        edges.append(Tie(case, EARTH, f"earth lead of {one.name}", "earth-lead", 0.1))
    name = f"{one.interface.upper()} cable of {one.name}"
    screened = one.interface == "lan" and one.interface_screened
    conducting = one.interface in {"usb", "gpib", "serial"} and not one.interface_isolated
    if conducting or screened:
        edges.append(Tie(case, "pc.earth", name, "cable", 0.1))
    elif one.interface == "lan":
        edges.append(Isolation(case, "pc.earth", name, LAN_RATED_V, "cable"))
    return edges
