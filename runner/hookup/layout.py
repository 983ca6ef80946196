"""Where everything of the drawing goes: boxes, terminals, and the way each edge takes.

The unit stands on the left with its terminals on its right side; the instruments stand in a
column on the right with theirs on the left. Between them every terminal that several wires
share has a lane of its own. Protective earth runs down the far right and along the bottom.
All lengths are in SVG user units, y downwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from runner.bench import Bench
from runner.hookup.build import wire_name
from runner.hookup.edges import EARTH, Edge, Tie
from runner.hookup.graph import Graph

__all__ = ["Box", "Layout", "Point", "Route", "lay_out"]

Point = tuple[float, float]

ROW, GAP, TOP = 26.0, 30.0, 70.0
UNIT_X, UNIT_W = 190.0, 170.0
LANE_W, BOX_W = 20.0, 210.0
FIRST_LANE, STRAP_ROOM = 46.0, 70.0
LABEL_ROOM = 190.0


@dataclass(frozen=True, slots=True)
class Box:
    """A box with its title, a line of small print, and terminals (point name, words, y)."""

    name: str
    title: str
    small: str
    x: float
    y: float
    width: float
    height: float
    terminals: tuple[tuple[str, str, float], ...]


@dataclass(frozen=True, slots=True)
class Route:
    """The way one edge takes; ``joints`` are its ends on a lane, drawn as dots."""

    edge: Edge
    line: tuple[Point, ...]
    label: str = ""
    label_at: Point | None = None
    joints: tuple[Point, ...] = ()


@dataclass(slots=True)
class Layout:
    """All that the drawing needs."""

    width: float = 0.0
    height: float = 0.0
    rail_x: float = 0.0
    rail_y: float = 0.0
    unit: Box | None = None
    boxes: list[Box] = field(default_factory=list)
    routes: list[Route] = field(default_factory=list)


_UNIT_ORDER = ("plus", "sense-plus", "sense-minus", "minus", "earth", "raw", "coil1", "coil2",
               "coil3", "mains-l", "mains-n", "primary", "chassis")  # fmt: skip
_UNIT_LABELS = {
    "plus": "+", "minus": "−", "sense-plus": "sense +", "sense-minus": "sense −",
    "earth": "earth post", "raw": "raw rail", "mains-l": "line", "mains-n": "neutral",
    "primary": "mains side",
}  # fmt: skip
_CLASSES = {
    "earthed": "inputs on protective earth",
    "joined": "floating, screens joined",
    "isolated": "isolated inputs",
    "differential": "differential inputs",
    "unknown": "not said: taken as earthed",
}


def lay_out(bench: Bench, graph: Graph) -> Layout:
    """Place boxes and route every hard connection, wire, resistor and diode of the bench."""
    made = Layout()
    hubs = _hubs(bench)
    made.unit = _unit_box(bench)
    first_x = UNIT_X + UNIT_W + FIRST_LANE
    first_x += STRAP_ROOM if bench.unit.earth_strap != "none" else 0.0
    column_x = first_x + LANE_W * len(hubs) + LABEL_ROOM
    y = TOP
    for name in [*(one.name for one in bench.instrument), *_computer(bench, graph)]:
        box = _box(bench, name, column_x, y)
        made.boxes.append(box)
        y += box.height + GAP
    made.rail_x = column_x + BOX_W + 110
    made.rail_y = max(y, made.unit.y + made.unit.height + GAP) + 10
    made.width, made.height = made.rail_x + 40, made.rail_y + 40
    places = {t: (b.x, ty) for b in made.boxes for t, _, ty in b.terminals}
    places |= {t: (made.unit.x + UNIT_W, ty) for t, _, ty in made.unit.terminals}
    made.routes = [
        *_wires(bench, graph, {h: first_x + LANE_W * i for i, h in enumerate(hubs)}, places),
        *(r for e in graph.ties if (r := _tie(made, e, places)) is not None),
    ]
    return made


def _computer(bench: Bench, graph: Graph) -> list[str]:
    cables = any("pc.earth" in (t.a, t.b) and t.kind == "cable" for t in graph.ties)
    return ["pc"] if cables or "pc.earth" in _ends(bench) else []


def _hubs(bench: Bench) -> list[str]:
    """Terminals that have a lane: the unit's end of each wire, else its first end."""
    ends = (w.a if w.a.startswith("unit.") or not w.b.startswith("unit.") else w.b
            for w in bench.connection)  # fmt: skip
    return list(dict.fromkeys(ends))


def _ends(bench: Bench) -> list[str]:
    ends = [end for wire in bench.connection for end in (wire.a, wire.b)]
    if bench.unit.earth_strap != "none":
        ends += [f"unit.{bench.unit.earth_strap}", "unit.earth"]
    return list(dict.fromkeys(ends))


def _unit_box(bench: Bench) -> Box:
    ends = _ends(bench)
    shown = [t for t in _UNIT_ORDER if f"unit.{t}" in ends or t in {"plus", "minus", "earth"}]
    terminals = tuple(
        (f"unit.{t}", _UNIT_LABELS.get(t, t.replace("coil", "relay coil ")), TOP + 62 + ROW * i)
        for i, t in enumerate(shown)
    )
    small = f"case {bench.unit.case}"
    return Box("unit", "unit", small, UNIT_X, TOP, UNIT_W, 62 + ROW * len(shown) + 26, terminals)


def _box(bench: Bench, name: str, x: float, y: float) -> Box:
    ends = [end for end in _ends(bench) if end.startswith(f"{name}.")]
    ends.sort(key=lambda end: (end.rpartition(".")[0], "minus" in end or "lo" in end, end))
    terminals = tuple((end, _short(end, name), y + 54 + ROW * i) for i, end in enumerate(ends))
    title, small = _titles(bench, name)
    return Box(name, title, small, x, y, BOX_W, 54 + ROW * len(ends), terminals)


def _titles(bench: Bench, name: str) -> tuple[str, str]:
    if name == "pc":
        return "computer", f"power: {bench.pc.power}"
    one = next(instrument for instrument in bench.instrument if instrument.name == name)
    small = _CLASSES[one.reference]
    if one.isolation_rating is not None and one.reference in {"isolated", "differential"}:
        small += f", {one.isolation_rating:g} V"
    return name if one.role == name else f"{name} ({one.role})", small


def _short(end: str, name: str) -> str:
    words = end.removeprefix(f"{name}.").replace(".", " ").replace("shell", "screen")
    return {"plus": "+", "minus": "−", "hi": "HI", "lo": "LO"}.get(words, words)


def _wires(
    bench: Bench, graph: Graph, lanes: dict[str, float], places: dict[str, Point]
) -> list[Route]:
    routes = []
    for wire, edge in zip(bench.connection, graph.edges, strict=False):
        hub, other = (wire.a, wire.b) if wire.a in lanes else (wire.b, wire.a)
        if wire.b in lanes and wire.b.startswith("unit.") and not wire.a.startswith("unit."):
            hub, other = wire.b, wire.a
        x, (hx, hy), (ox, oy) = lanes[hub], places[hub], places[other]
        label_at = (ox - 8, oy - 5) if not other.startswith("unit.") else None
        line = ((hx, hy), (x, hy), (x, oy), (ox, oy))
        text = wire_name(wire) if wire.label else ""
        if wire.resistance > 10:
            text = f"{text} {wire.resistance:g} Ω".strip()
        routes.append(Route(edge, line, text, label_at, ((x, hy), (x, oy))))
    return routes


def _tie(made: Layout, tie: Tie, places: dict[str, Point]) -> Route | None:
    """Ways inside boxes, earth leads, cables, strap; a tie without visible ends has none."""
    if tie.kind == "wire":
        return None
    cases = {f"{b.name}.{part}": b for b in made.boxes for part in ("case", "common", "earth")}
    line: Sequence[Point] | None = None
    if tie.a in places and tie.b in cases:
        line = _inside(places[tie.a], cases[tie.b])
    elif tie.a in cases and tie.b == EARTH:
        box = cases[tie.a]
        y = box.y + box.height / 2
        line = ((box.x + box.width, y), (made.rail_x, y))
    elif tie.a in cases and tie.b == "pc.earth" and "pc.earth" in cases:
        line = _cable(cases[tie.a], cases["pc.earth"])
    elif made.unit is not None:
        line = _in_unit(made, made.unit, tie, places)
    if line is None:
        return None
    label = tie.name if tie.kind in {"earth-lead", "strap", "cable", "found"} else ""
    return Route(tie, tuple(line), label, _label_at(tie, line))


def _label_at(tie: Tie, line: Sequence[Point]) -> Point | None:
    match tie.kind:
        case "earth-lead" if not tie.a.startswith("unit."):
            return None
        case "cable":
            return None
        case "strap":
            return (line[1][0] + 4, line[-1][1] + 14)
        case _:
            return (line[-1][0] - 6, line[-1][1] - 5)


def _inside(start: Point, box: Box) -> Sequence[Point]:
    x, y = box.x + box.width - 16, box.y + box.height / 2
    return (start, (x, start[1]), (x, y), (box.x + box.width, y))


def _cable(box: Box, computer: Box) -> Sequence[Point]:
    y, end_y = box.y + box.height / 2 + 9, computer.y + computer.height / 2 - 9
    x = box.x + box.width + 40
    return ((box.x + box.width, y), (x, y), (x, end_y), (computer.x + computer.width, end_y))


def _in_unit(made: Layout, unit: Box, tie: Tie, places: dict[str, Point]) -> Sequence[Point] | None:
    bottom, chassis_x = unit.y + unit.height, unit.x + 60
    if (tie.a, tie.b) == ("unit.chassis", EARTH):
        return ((chassis_x, bottom), (chassis_x, made.rail_y))
    if (tie.a, tie.b) == ("unit.earth", "unit.chassis"):
        x, y = places["unit.earth"]
        return ((x, y), (chassis_x, y), (chassis_x, bottom))
    if tie.kind == "found" and tie.a in places:
        x, y = places[tie.a]
        inner = unit.x + 30
        return ((x, y), (inner, y), (inner, made.rail_y))
    if tie.a in places and tie.b == "unit.earth":
        (x, y), (_, end_y) = places[tie.a], places[tie.b]
        return ((x, y), (x + 22, y), (x + 22, end_y), (x, end_y))
    if tie.a in places and tie.b in places:
        (x, y), (_, end_y) = places[tie.a], places[tie.b]
        return ((x, y), (x - 50, y), (x - 50, end_y), (x, end_y))
    return None
