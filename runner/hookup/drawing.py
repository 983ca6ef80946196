"""The bench drawn as SVG: who is tied to what, the loop in question, the current on it.

The loop is told from the rest by its width, a white broken core and a numbered tag, not by its
colour alone; the tag's number is that of the hazard in the list.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from textwrap import wrap
from xml.sax.saxutils import escape

from runner.bench import Bench
from runner.hookup.edges import EARTH
from runner.hookup.graph import Graph
from runner.hookup.hazards import Grade, Hazard, written
from runner.hookup.layout import UNIT_X, Box, Layout, Point, Route, lay_out

__all__ = ["draw_svg", "edges_in_loop", "on_the_loop"]

INK, SOFT, PAPER, LOOP = "#1d2733", "#5d6b7a", "#ffffff", "#b3261e"
_MARKS = {Grade.STOP: "STOP", Grade.ASK: "ASK", Grade.NOTE: "NOTE"}
MOST_LISTED = 8
CHAR_W = 7.6


def edges_in_loop(graph: Graph, hazard: Hazard) -> set[int]:
    """Numbers of the hard connections along a hazard's loop."""
    pairs = {frozenset(pair) for pair in pairwise(hazard.loop)}
    return {i for i, edge in enumerate(graph.edges) if frozenset((edge.a, edge.b)) in pairs}


def on_the_loop(hazard: Hazard) -> str:
    """What is written on the loop: the current at first and later, else the main number."""
    surge_a, later_a = (hazard.numbers.get(key) for key in ("surge_a", "sustained_a"))
    if surge_a is not None and later_a is not None and abs(surge_a - later_a) > 1e-6 * surge_a:
        return f"{written(surge_a, 'A')}, then {written(later_a, 'A')}"
    return "" if hazard.value is None else written(hazard.value, hazard.unit)


def draw_svg(bench: Bench, graph: Graph, hazards: Sequence[Hazard], title: str = "") -> str:
    """Return the whole drawing as one SVG document."""
    made = lay_out(bench, graph)
    listed = list(enumerate(hazards, start=1))[:MOST_LISTED]
    width = max(made.width, 880.0)
    chars = int((width - 40) / CHAR_W)
    rows = [row for number, hazard in listed for row in _wrapped(number, hazard, chars)]
    height = made.height + 26 + 16 * len(rows)
    looped = [(number, h, edges_in_loop(graph, h)) for number, h in listed if len(h.loop) > 1]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}"'
        f' width="{width:.0f}" height="{height:.0f}" role="img"'
        ' font-family="DejaVu Sans, Verdana, Arial, sans-serif" font-size="12">',
        f"<title>{escape(title or bench.name)}</title>",
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="{PAPER}"/>',
        _text((20, 30), title or bench.name, size=16, weight="bold"),
        *_mains(bench, made),
        *_rail(made),
        *(_box(box) for box in _boxes(made)),
        *(_route(route) for route in made.routes),
        *(part for number, h, edges in looped for part in _loop(made, graph, number, h, edges)),
        *(_terminals(box) for box in _boxes(made)),
        *(_label(route) for route in made.routes),
        *_list(rows, made.height + 10),
        "</svg>",
    ]
    return "\n".join(parts)


def _text(
    at: Point, words: str, *, size: int = 12, anchor: str = "start", weight: str = "normal",
    fill: str = INK, halo: bool = False,
) -> str:  # fmt: skip
    edge = f' stroke="{PAPER}" stroke-width="4" paint-order="stroke"' if halo else ""
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size}" text-anchor="{anchor}"'
        f' font-weight="{weight}" fill="{fill}"{edge}>{escape(words)}</text>'
    )


def _line(points: Iterable[Point], *, width: float = 1.6, colour: str = INK, dash: str = "") -> str:
    way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    broken = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{way}" fill="none" stroke="{colour}" stroke-width="{width}"'
        f' stroke-linejoin="round"{broken}/>'
    )


def _boxes(made: Layout) -> list[Box]:
    return [*([made.unit] if made.unit else []), *made.boxes]


def _box(box: Box) -> str:
    return "\n".join(
        [
            f'<rect x="{box.x}" y="{box.y}" width="{box.width}" height="{box.height}" rx="5"'
            f' fill="#f4f6f8" stroke="{INK}" stroke-width="1.4"/>',
            _text((box.x + 10, box.y + 20), box.title, size=14, weight="bold"),
            _text((box.x + 10, box.y + 36), box.small, size=11, fill=SOFT),
        ]
    )


def _terminals(box: Box) -> str:
    """Drawn over the lines, so that every name can be read."""
    inward, anchor = (-8, "end") if box.name == "unit" else (8, "start")
    edge = box.x + box.width if box.name == "unit" else box.x
    parts = []
    for _, words, y in box.terminals:
        parts.append(f'<circle cx="{edge}" cy="{y}" r="4" fill="{PAPER}" stroke="{INK}"/>')
        parts.append(_text((edge + inward, y + 4), words, anchor=anchor, halo=True))
    return "\n".join(parts)


def _mains(bench: Bench, made: Layout) -> list[str]:
    nominal = bench.mains.nominal
    chain = [f"mains {nominal.voltage_v:g} V {nominal.frequency_hz:g} Hz", *bench.mains.chain]
    y = made.unit.y + 20 if made.unit else 90.0
    parts = []
    for number, words in enumerate(chain):
        top = y + 44 * number
        parts += [
            f'<rect x="20" y="{top}" width="140" height="28" rx="4" fill="#f4f6f8"'
            f' stroke="{INK}"/>',
            _text((90, top + 18), words.replace("-", " "), size=11, anchor="middle"),
        ]
        if number:
            parts.append(_line([(90, top - 16), (90, top)]))
    last = y + 44 * (len(chain) - 1) + 14
    return [*parts, _line([(160, last), (UNIT_X, last)])]


def _rail(made: Layout) -> list[str]:
    x, y = made.rail_x, made.rail_y
    left = made.unit.x if made.unit else 20.0
    bars = [
        _line([(x - w, y + d), (x + w, y + d)], width=2) for w, d in ((12, 8), (8, 13), (4, 18))
    ]
    return [
        _line([(left, y), (x, y), (x, 60)], width=2.4, dash="12 4 3 4"),
        _line([(x, y), (x, y + 8)], width=2),
        *bars,
        _text((left + 130, y + 25), "protective earth", size=11, fill=SOFT),
    ]


def _route(route: Route) -> str:
    thin = getattr(route.edge, "kind", "wire") == "inside"
    parts = [_line(route.line, width=1.2 if thin else 1.8, dash="3 3" if thin else "")]
    parts += [f'<circle cx="{x}" cy="{y}" r="2.6" fill="{INK}"/>' for x, y in route.joints]
    return "\n".join(parts)


def _label(route: Route) -> str:
    if not route.label or route.label_at is None:
        return ""
    anchor = "start" if getattr(route.edge, "kind", "") == "strap" else "end"
    return _text(route.label_at, route.label, size=10, anchor=anchor, fill=SOFT, halo=True)


def _loop(made: Layout, graph: Graph, number: int, hazard: Hazard, edges: set[int]) -> list[str]:
    drawn = [graph.edges[number] for number in edges]
    lines: list[Sequence[Point]] = [r.line for r in made.routes if r.edge in drawn]
    if not lines:
        return []
    lines += _along_rail(made, lines) if EARTH in hazard.loop else []
    parts = [_line(line, width=6, colour=LOOP) for line in lines]
    parts += [_line(line, width=2, colour=PAPER, dash="7 5") for line in lines]
    longest = max(lines, key=_length)
    return [*parts, _tag(_place_of_tag(longest), f"{number}: {on_the_loop(hazard)}".rstrip(": "))]


def _along_rail(made: Layout, lines: Sequence[Sequence[Point]]) -> list[Sequence[Point]]:
    """The stretch of the rail between the places where the loop meets it."""
    corner = (made.rail_x, made.rail_y)
    ends = [
        p for line in lines for p in (line[0], line[-1]) if p[0] == corner[0] or p[1] == corner[1]
    ]
    return [(min(ends), corner, max(ends))] if len(ends) > 1 else []


def _length(line: Sequence[Point]) -> float:
    return sum(abs(b[0] - a[0]) + abs(b[1] - a[1]) for a, b in pairwise(line))


def _place_of_tag(line: Sequence[Point]) -> Point:
    a, b = max(pairwise(line), key=_length)
    return (a[0] + 0.3 * (b[0] - a[0]), a[1] + 0.3 * (b[1] - a[1]))


def _tag(at: Point, words: str) -> str:
    width = 7.4 * len(words) + 16
    return (
        f'<rect x="{at[0] - width / 2:.1f}" y="{at[1] - 11:.1f}" width="{width:.1f}" height="22"'
        f' rx="11" fill="{PAPER}" stroke="{LOOP}" stroke-width="2"/>'
        + _text((at[0], at[1] + 4), words, anchor="middle", weight="bold", fill=LOOP)
    )


def _wrapped(number: int, hazard: Hazard, chars: int) -> list[tuple[str, str]]:
    """Rows of one hazard as (bold head, rest); only the first has a head."""
    head = f"{number}  {_MARKS[hazard.grade]}:"
    rows = wrap(f"{head} {hazard.sentence} {hazard.remedy}", chars, subsequent_indent="")
    first = rows[0].removeprefix(" ".join(head.split())).removeprefix(head)
    return [(head, first), *(("", row) for row in rows[1:])]


def _list(rows: Sequence[tuple[str, str]], top: float) -> list[str]:
    parts = []
    for index, (head, words) in enumerate(rows):
        bold = f'<tspan font-weight="bold">{escape(head)}</tspan> ' if head else ""
        parts.append(
            f'<text x="{20 if head else 34}" y="{top + 16 * (index + 1):.1f}" fill="{INK}">'
            f"{bold}{escape(words.strip())}</text>"
        )
    return parts
