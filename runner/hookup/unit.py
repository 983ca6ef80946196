"""What the unit itself brings to the hookup: its terminals, its sources, its way to earth.

Inside figures that no bench file gives are estimates on the cautious side, and said so in the
names of the edges: raw rail 1.4 times the rated voltage plus 4 V (rectified peak with headroom
for the regulator) on 4700 µF, winding resistance 10 % of rated voltage over rated current, relay
coil driven through 100 Ω, sense terminals joined to the output through 10 Ω.
"""

from __future__ import annotations

from runner.bench import Bench
from runner.hookup.earth_reference import EarthReference, Kind
from runner.hookup.edges import EARTH, Capacitance, Edge, Isolation, Resistance, Source, Tie
from runner.profile import Profile

__all__ = ["OUTPUT_POINTS", "earthed_output", "file_ties", "output_volts", "unit_edges"]

OUTPUT_POINTS = ("unit.plus", "unit.minus", "unit.sense-plus", "unit.sense-minus", "unit.raw",
                 "unit.coil1", "unit.coil2", "unit.coil3")  # fmt: skip
INSIDE_OHMS = 1e-3
LIMIT_MARGIN = 1.05
RESERVOIR_F = 4.7e-3
STRAY_F = {"linear": 300e-12, "linear-tapped": 300e-12, "switch-mode": 4.4e-9}
"""Stray capacitance from the mains side to the output: a toroid's 300 pF, a switch-mode unit's two
2.2 nF suppression capacitors (handbook figures; common practice)."""


def output_volts(profile: Profile) -> float:
    """Highest output voltage in V, the one that hazards are computed with."""
    return profile.unit.voltage.high


def unit_edges(bench: Bench, profile: Profile, measured: EarthReference | None) -> list[Edge]:
    """Edges that are inside the unit or belong to it."""
    return [
        *_sources(bench, profile),
        *_sense_and_stray(profile),
        *_chassis(bench, profile),
        *_said(bench, profile),
        *_found(measured),
    ]


def _sources(bench: Bench, profile: Profile) -> list[Edge]:
    top_v, top_a = output_volts(profile), profile.unit.current.high
    raw_v = 1.4 * top_v + 4
    winding_ohms = 0.1 * top_v / top_a
    edges: list[Edge] = [
        Source(
            "unit.plus", "unit.minus", "output of the unit", dc_v=top_v,
            surge_ohms=bench.unit.output_capacitor_esr, ohms=bench.unit.output_capacitor_esr,
            limit_a=LIMIT_MARGIN * top_a, farads=bench.unit.output_capacitor,
        ),
        Source(
            "unit.raw", "unit.minus", "raw rail of the unit (estimate)", dc_v=raw_v,
            surge_ohms=0.05, ohms=winding_ohms, farads=RESERVOIR_F,
        ),
    ]  # fmt: skip
    for number in (1, 2, 3):
        edges.append(
            Source(
                f"unit.coil{number}", "unit.minus", f"drive of relay coil {number} (estimate)",
                dc_v=raw_v, surge_ohms=100.0, ohms=100.0,
            )
        )  # fmt: skip
    return edges


def _sense_and_stray(profile: Profile) -> list[Edge]:
    half_f = STRAY_F[profile.unit.kind] / 2
    edges: list[Edge] = [
        Tie("unit.sense-plus", "unit.plus", "sense resistor inside the unit", "inside", 10.0),
        Tie("unit.sense-minus", "unit.minus", "sense resistor inside the unit", "inside", 10.0),
        Capacitance("unit.mains-l", "unit.minus", "stray capacitance of the transformer", half_f),
        Capacitance("unit.mains-n", "unit.minus", "stray capacitance of the transformer", half_f),
    ]
    rating_v = profile.unit.float_rating
    if rating_v is not None and profile.unit.output == "floating":
        for terminal in ("unit.plus", "unit.minus"):
            name = "float rating of the unit's output"
            edges.append(Isolation(terminal, EARTH, name, rating_v, "float"))
    return edges


def _chassis(bench: Bench, profile: Profile) -> list[Edge]:
    edges: list[Edge] = [
        Tie("unit.earth", "unit.chassis", "earth post on the chassis", "inside", INSIDE_OHMS)
    ]
    if profile.unit.protection_class == "I" and bench.mains.earth_reaches_unit:
        edges.append(
            Tie("unit.chassis", EARTH, "protective conductor of the unit", "earth-lead", 0.1)
        )
    return edges


def earthed_output(profile: Profile) -> dict[str, str]:
    """The output terminal that the unit earths by design, with the words for it."""
    earthed = {"negative-earthed": "unit.minus", "positive-earthed": "unit.plus"}
    terminal = earthed.get(profile.unit.output)
    return {terminal: "earthed output of the unit"} if terminal else {}


def file_ties(bench: Bench, profile: Profile) -> dict[str, str]:
    """Output terminals that the files say are tied to the chassis, with the words for it."""
    ties = earthed_output(profile)
    if bench.unit.earth_strap != "none":
        ties[f"unit.{bench.unit.earth_strap}"] = "earth strap"
    return ties


def _said(bench: Bench, profile: Profile) -> list[Edge]:
    return [
        Tie(terminal, "unit.earth", name, "strap" if "strap" in name else "inside", INSIDE_OHMS)
        for terminal, name in file_ties(bench, profile).items()
    ]


def _found(measured: EarthReference | None) -> list[Edge]:
    edges: list[Edge] = []
    for terminal, found in (measured.terminals if measured else {}).items():
        if found.kind is Kind.HARD:
            edges.append(
                Tie(terminal, EARTH, "tie to earth found by measuring", "found", found.low_ohms)
            )
        elif found.kind is Kind.LEAK and found.ohms is not None:
            edges.append(
                Resistance(terminal, EARTH, "leak to earth found by measuring", found.ohms)
            )
    return edges
