"""Random networks for the solver, and the same networks written for ngspice."""

from __future__ import annotations

import random
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

from runner.hookup.edges import EARTH, Capacitance, Edge, Resistance, Source, Tie

LINE_HZ = 50.0


def random_network(seed: int) -> tuple[Edge, ...]:
    """A connected network of 4 to 8 points with ties, resistors, capacitors and sources."""
    draw = random.Random(seed)
    points = [EARTH, *(f"p{i}" for i in range(draw.randint(4, 8)))]
    edges: list[Edge] = []
    for index, point in enumerate(points[1:], start=1):
        edges.append(_resistive(draw, point, draw.choice(points[:index]), f"spine {index}"))
    for number in range(draw.randint(2, 6)):
        a, b = draw.sample(points, 2)
        edges.append(_resistive(draw, a, b, f"extra {number}"))
    for number in range(draw.randint(1, 3)):
        a, b = draw.sample(points, 2)
        edges.append(Capacitance(a, b, f"stray {number}", 10 ** draw.uniform(-10, -6)))
    for number in range(draw.randint(1, 3)):
        a, b = draw.sample(points, 2)
        ohms = 10 ** draw.uniform(-2, 1)
        limit_a = draw.choice([None, draw.uniform(0.1, 5.0)])
        edges.append(
            Source(a, b, f"source {number}", draw.uniform(1, 60), draw.uniform(1, 230),
                   ohms, ohms, limit_a)
        )  # fmt: skip
    return tuple(edges)


def _resistive(draw: random.Random, a: str, b: str, name: str) -> Edge:
    if draw.random() < 0.4:
        return Tie(a, b, name, "wire", 10 ** draw.uniform(-3, 0))
    return Resistance(a, b, name, 10 ** draw.uniform(0, 8))


def netlist(edges: Sequence[Edge], *, limited: bool, alternating: bool) -> str:
    """The network for ngspice; a limited source is a current that is the lesser of two."""
    rows = ["* network of hard connections, resistances, capacitances and sources"]
    for number, edge in enumerate(edges):
        a, b = ("0" if p == EARTH else p for p in (edge.a, edge.b))
        match edge:
            case Capacitance():
                rows.append(f"C{number} {a} {b} {edge.farads!r}")
            case Source():
                rows += _source(number, a, b, edge, limited=limited and not alternating)
            case Tie() | Resistance():
                rows.append(f"R{number} {a} {b} {edge.ohms!r}")
    points = sorted({p for e in edges for p in (e.a, e.b)} - {EARTH})
    analysis = f"ac lin 1 {LINE_HZ} {LINE_HZ}" if alternating else "op"
    prints = [f"print {'mag(' * alternating}v({p}){')' * alternating}" for p in points]
    options = ".options reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-15 numdgt=10"
    return "\n".join([*rows, options, ".control", analysis, *prints, "quit", ".endc", ".end", ""])


def _source(number: int, a: str, b: str, edge: Source, *, limited: bool) -> list[str]:
    if limited and edge.limit_a is not None:
        across = f"v({a})-v({b})".replace("v(0)", "0")
        law = f"({edge.dc_v!r}-({across}))/{edge.ohms!r}"
        return [f"B{number} {b} {a} I=min({edge.limit_a!r}, {law})"]
    inner = f"s{number}"
    return [
        f"V{number} {inner} {b} DC {edge.dc_v!r} AC {edge.ac_v!r}",
        f"RS{number} {inner} {a} {edge.ohms!r}",
    ]


def run_ngspice(text: str, folder: Path) -> dict[str, float]:
    """Voltages by point (magnitudes for ac), as ngspice prints them."""
    path = folder / "network.cir"
    path.write_text(text, encoding="ascii")
    done = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, check=False, timeout=30
    )
    found = re.findall(r"^(?:mag\()?v\((\w+)\)\)? = (\S+)$", done.stdout, re.MULTILINE)
    return {point: float(value) for point, value in found}
