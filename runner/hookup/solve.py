"""Nodal analysis of the hookup at dc and at the mains frequency.

Every source is a voltage behind a resistance; a source whose current would pass its limit
becomes a current source at the limit (current pushed back into it knows no limit). Each group
of points that nothing conducts to earth is solved against its own first point and says so: its
voltage to earth is not defined.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from runner.hookup.edges import (
    EARTH,
    Capacitance,
    Diode,
    Edge,
    Isolation,
    Resistance,
    Source,
    Tie,
)
from runner.hookup.graph import Sets

__all__ = ["Moment", "Solution", "solve"]

Moment = Literal["surge", "sustained"]
LEAST_OHMS = 1e-4


@dataclass(frozen=True, slots=True)
class Solution:
    """Voltages (V) by point and currents (A) by edge number, from ``a`` to ``b`` through it.

    At dc both are real; at the mains frequency they are rms phasors. The current of a source is
    the one it delivers out of its ``a`` end. ``floating`` holds the points whose voltage counts
    from another point than earth.
    """

    voltages: Mapping[str, complex]
    currents: Mapping[int, complex]
    limited: frozenset[int]
    floating: frozenset[str]

    def across(self, a: str, b: str) -> complex | None:
        """Voltage from ``b`` to ``a`` in V; None when nothing conducting relates the two."""
        if (a in self.floating) != (b in self.floating):
            return None
        return self.voltages[a] - self.voltages[b]


@dataclass(slots=True)
class _Stamps:
    admittances: list[tuple[str, str, complex]] = field(default_factory=list)
    injections: list[tuple[str, str, complex]] = field(default_factory=list)


def solve(
    edges: Sequence[Edge], *, frequency_hz: float = 0.0, moment: Moment = "surge"
) -> Solution:
    """Solve the network.

    :param frequency_hz: 0 for dc (``dc_v`` of the sources), else the line (``ac_v``)
    :param moment: ``surge`` ignores current limits and uses ``surge_ohms``; ``sustained``
        applies them and uses ``ohms``
    :raises ValueError: a resistance or capacitance is negative or not finite
    """
    limited: dict[int, float] = {}
    blocked: frozenset[int] = frozenset()
    for _ in range(2 * len(edges) + 2):
        voltages, floating = _voltages(edges, frequency_hz, moment, limited, blocked)
        currents = _currents(edges, voltages, frequency_hz, moment, limited, blocked)
        over = _over_limit(edges, currents, moment, limited) if frequency_hz == 0 else {}
        backwards = _reverse_biased(edges, voltages) if frequency_hz == 0 else frozenset()
        if not over and backwards == blocked:
            break
        limited |= over
        blocked = backwards
    return Solution(voltages, currents, frozenset(limited), floating)


def _conductance(edge: Edge, frequency_hz: float, moment: Moment) -> complex:
    match edge:
        case Tie(ohms=ohms) | Resistance(ohms=ohms) | Diode(ohms=ohms):
            return 1 / max(_checked(ohms, edge), LEAST_OHMS)
        case Capacitance(farads=farads):
            return 2j * math.pi * frequency_hz * _checked(farads, edge)
        case Source():
            ohms = edge.surge_ohms if moment == "surge" else edge.ohms
            return 1 / max(_checked(ohms, edge), LEAST_OHMS)
        case Isolation():
            return 0.0


def _checked(value: float, edge: Edge) -> float:
    if not (math.isfinite(value) and value >= 0):
        raise ValueError(f"expected a finite value, not negative, for {edge.name}, found {value}")
    return value


def _driven(edge: Source, frequency_hz: float) -> float:
    return edge.dc_v if frequency_hz == 0 else edge.ac_v


def _voltages(
    edges: Sequence[Edge],
    frequency_hz: float,
    moment: Moment,
    limited: Mapping[int, float],
    blocked: frozenset[int],
) -> tuple[dict[str, complex], frozenset[str]]:
    import numpy as np

    stamps = _Stamps()
    for number, edge in enumerate(edges):
        if number in limited:
            stamps.injections.append((edge.a, edge.b, limited[number]))
            continue
        conductance = _conductance(edge, frequency_hz, moment)
        if conductance == 0 or number in blocked:
            continue
        stamps.admittances.append((edge.a, edge.b, conductance))
        if isinstance(edge, Source):
            stamps.injections.append((edge.a, edge.b, conductance * _driven(edge, frequency_hz)))
    points = list(dict.fromkeys([EARTH, *(p for edge in edges for p in (edge.a, edge.b))]))
    islands = Sets((a, b) for a, b, _ in stamps.admittances)
    chosen: dict[str, str] = {}
    for point in points:
        chosen.setdefault(islands.root(point), point)
    unknown = {p: i for i, p in enumerate(p for p in points if chosen[islands.root(p)] != p)}
    matrix = np.zeros((len(unknown), len(unknown)), dtype=complex)
    right = np.zeros(len(unknown), dtype=complex)
    for a, b, conductance in stamps.admittances:
        for here, there in ((a, b), (b, a)):
            if here in unknown:
                matrix[unknown[here], unknown[here]] += conductance
                if there in unknown:
                    matrix[unknown[here], unknown[there]] -= conductance
    for a, b, current in stamps.injections:
        if a in unknown:
            right[unknown[a]] += current
        if b in unknown:
            right[unknown[b]] -= current
    solved = np.linalg.solve(matrix, right) if unknown else right
    voltages = {p: complex(solved[unknown[p]]) if p in unknown else 0j for p in points}
    floating = frozenset(p for p in points if not islands.same(p, EARTH))
    return voltages, floating


def _currents(
    edges: Sequence[Edge],
    voltages: Mapping[str, complex],
    frequency_hz: float,
    moment: Moment,
    limited: Mapping[int, float],
    blocked: frozenset[int],
) -> dict[int, complex]:
    currents: dict[int, complex] = {}
    for number, edge in enumerate(edges):
        across = voltages[edge.a] - voltages[edge.b]
        conductance = 0.0 if number in blocked else _conductance(edge, frequency_hz, moment)
        if number in limited:
            currents[number] = limited[number]
        elif isinstance(edge, Source):
            currents[number] = conductance * (_driven(edge, frequency_hz) - across)
        else:
            currents[number] = conductance * across
    return currents


def _over_limit(
    edges: Sequence[Edge],
    currents: Mapping[int, complex],
    moment: Moment,
    limited: Mapping[int, float],
) -> dict[int, float]:
    """Of the sources beyond their limit, the one that is furthest beyond."""
    if moment == "surge":
        return {}
    excess = {
        number: currents[number].real / edge.limit_a
        for number, edge in enumerate(edges)
        if isinstance(edge, Source)
        and edge.limit_a is not None
        and number not in limited
        and currents[number].real > edge.limit_a * (1 + 1e-9)
    }
    if not excess:
        return {}
    worst = max(excess, key=lambda number: excess[number])
    return {worst: currents[worst].real / excess[worst]}


def _reverse_biased(edges: Sequence[Edge], voltages: Mapping[str, complex]) -> frozenset[int]:
    return frozenset(
        number
        for number, edge in enumerate(edges)
        if isinstance(edge, Diode) and (voltages[edge.a] - voltages[edge.b]).real < 0
    )
