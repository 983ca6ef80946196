"""What the mains can do: reach earth or the output through a wire, or be taken for isolated.

Every hazard here is one where local codes and a licensed person have the last word.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from runner.hookup.edges import EARTH, MAINS_SIDE
from runner.hookup.graph import capital, points_along, words_for
from runner.hookup.hazards import Grade, Hazard, Wiring, joined_names, leads_in, written
from runner.hookup.mains import isolated, mains_volts
from runner.hookup.unit import OUTPUT_POINTS

__all__ = ["mains_rules"]

NOT_ISOLATING = {
    "variac": "A variac is one winding: it sets the voltage and isolates nothing.",
    "lamp-limiter": "A series lamp limits the current and isolates nothing.",
    "mains-source": "An electronic mains source counts as not isolated unless its papers say so.",
}
CODES = {
    "variac": "variac-taken-for-isolation",
    "lamp-limiter": "lamp-taken-for-isolation",
    "mains-source": "mains-source-taken-for-isolation",
}
FATAL_REMEDY = (
    "Take the wire off before the plug goes in. Mains parts are measured with an input rated for"
    " them, or behind an isolating transformer that feeds this unit alone, by a person who may"
    " do such work where you are."
)


def mains_rules(wiring: Wiring) -> list[Hazard]:
    """Return every hazard that the mains brings."""
    touched = [point for point in MAINS_SIDE if wiring.graph.earthed(point)]
    return [
        *(_contact(wiring, point) for point in touched),
        *_taken_for_isolation(wiring, touched),
        *_between_mains_points(wiring),
        *_on_output(wiring),
        *_probed(wiring),
    ]


def _contact(wiring: Wiring, point: str) -> Hazard:
    way = wiring.graph.path(point, EARTH) or ()
    ties, where = joined_names(way), capital(words_for(point))
    if isolated(wiring.bench):
        volts = mains_volts(wiring.bench)
        return Hazard(
            code="isolated-mains-earthed",
            grade=Grade.ASK,
            sentence=f"{where}, behind the isolating transformer, is joined to earth ({ties}): from"
            f" now on every other part of the mains side stands at up to {volts:g} V to earth, as"
            " if there were no transformer.",
            remedy="Better use a differential probe, and leave the isolated side unearthed.",
            value=volts,
            unit="V",
            wires=leads_in(way),
            defers=True,
            numbers={"volts": volts},
            loop=points_along(point, way),
        )
    current_a = wiring.mains_a
    return Hazard(
        code="mains-to-earth",
        grade=Grade.STOP,
        sentence=f"{where} is joined to protective earth ({ties}): {written(current_a, 'A')} of"
        " mains current through that way until a fuse opens, and a case that may be live.",
        remedy=FATAL_REMEDY,
        value=current_a,
        unit="A",
        wires=leads_in(way),
        defers=True,
        numbers={"surge_a": current_a, "sustained_a": current_a},
        loop=points_along(point, way),
    )


def _taken_for_isolation(wiring: Wiring, touched: Sequence[str]) -> list[Hazard]:
    if not touched or isolated(wiring.bench):
        return []
    return [
        Hazard(
            code=CODES[part],
            grade=Grade.STOP,
            sentence=f"{NOT_ISOLATING[part]} With it alone in the line, an earthed wire on the"
            " mains side is a fault.",
            remedy="Put an isolating transformer, feeding this unit alone, in front of it.",
            value=wiring.mains_a,
            unit="A",
            defers=True,
        )
        for part in wiring.bench.mains.chain
        if part in NOT_ISOLATING
    ]


def _between_mains_points(wiring: Wiring) -> list[Hazard]:
    found = []
    for a, b in combinations(MAINS_SIDE, 2):
        way = wiring.graph.path(a, b)
        if way is None:
            continue
        current_a = wiring.mains_a
        found.append(
            Hazard(
                code="mains-shorted",
                grade=Grade.STOP,
                sentence=f"{capital(words_for(a))} and {words_for(b)} are joined"
                f" ({joined_names(way)}):"
                f" {written(current_a, 'A')} of mains current until a fuse opens.",
                remedy=FATAL_REMEDY,
                value=current_a,
                unit="A",
                wires=leads_in(way),
                defers=True,
                numbers={"surge_a": current_a},
                loop=points_along(a, way),
            )
        )
    return found


def _on_output(wiring: Wiring) -> list[Hazard]:
    graph, volts = wiring.graph, mains_volts(wiring.bench)
    for mains_point in MAINS_SIDE:
        for point in (p for p in OUTPUT_POINTS if graph.sets.same(p, mains_point)):
            way = graph.path(mains_point, point) or ()
            return [
                Hazard(
                    code="mains-on-output",
                    grade=Grade.STOP,
                    sentence=f"{capital(words_for(mains_point))} is joined to {words_for(point)}"
                    f" ({joined_names(way)}): the output and all that hangs on it stand at"
                    f" {volts:g} V mains.",
                    remedy=FATAL_REMEDY,
                    value=volts,
                    unit="V",
                    wires=leads_in(way),
                    defers=True,
                    numbers={"volts": volts},
                    loop=points_along(mains_point, way),
                )
            ]
    return []


def _probed(wiring: Wiring) -> list[Hazard]:
    probed = [point for point in MAINS_SIDE if wiring.wired(point)]
    if not probed:
        return []
    volts = mains_volts(wiring.bench)
    return [
        Hazard(
            code="mains-side-probed",
            grade=Grade.ASK,
            sentence=f"A wire goes to {' and '.join(words_for(p) for p in probed)}:"
            f" {volts:g} V that can kill.",
            remedy="Mains off and plug out while clipping; insulated clips rated for the mains; one"
            " hand; the case covered again before power.",
            value=volts,
            unit="V",
            defers=True,
            numbers={"volts": volts},
        )
    ]
