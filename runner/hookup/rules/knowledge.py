"""What is not known, or contradicts itself: undescribed inputs, and what measuring found."""

from __future__ import annotations

from runner.hookup.earth_reference import Kind, TerminalReference
from runner.hookup.edges import EARTH
from runner.hookup.graph import Sets, words_for
from runner.hookup.hazards import Grade, Hazard, Wiring, wires_at, written
from runner.hookup.unit import OUTPUT_POINTS, earthed_output

__all__ = ["earthed_clips", "knowledge_rules"]

LEAK_BREAKS_TRUST_OHMS = 100e3


def knowledge_rules(wiring: Wiring) -> list[Hazard]:
    """Return hazards of what is unknown, taken on trust, or found otherwise."""
    return [*_unknown(wiring), *_clips_before_measuring(wiring), *_contradictions(wiring)]


def _unknown(wiring: Wiring) -> list[Hazard]:
    found = []
    for one in wiring.bench.instrument:
        points = [p for p in wiring.graph.points if p.startswith(f"{one.name}.")]
        wires = wires_at(wiring.bench, points)
        if one.reference == "unknown" and (wires or one.role == "supply"):
            found.append(
                Hazard(
                    code="taken-as-earthed",
                    grade=Grade.NOTE,
                    sentence=f"The bench file does not say how the inputs of {one.name} stand to"
                    " earth; they are taken as earthed.",
                    remedy="Measure or look it up, and write reference into the bench file.",
                    wires=wires,
                )
            )
    return found


def earthed_clips(wiring: Wiring) -> list[tuple[str, str]]:
    """Return (instrument's terminal, output point) for each earthed lead on the output.

    These are the leads that must be off while ``earth-reference`` is measured.
    """
    clips = []
    for wire in wiring.bench.connection:
        for here, there in ((wire.a, wire.b), (wire.b, wire.a)):
            owner = here.partition(".")[0]
            if owner == "unit" or there not in OUTPUT_POINTS:
                continue
            if _earthed_inside(wiring, here):
                clips.append((here, there))
    return clips


def _earthed_inside(wiring: Wiring, terminal: str) -> bool:
    """Whether ties other than the unit's wires lead from an instrument's terminal to earth."""
    graph = wiring.graph
    inner = [t for t in graph.ties if not (t.a.startswith("unit.") or t.b.startswith("unit."))]
    return Sets((t.a, t.b) for t in inner).same(terminal, EARTH)


def _clips_before_measuring(wiring: Wiring) -> list[Hazard]:
    clips = earthed_clips(wiring)
    if not clips or wiring.measured is not None:
        return []
    names = wires_at(wiring.bench, [here for here, _ in clips])
    shown = " and ".join(words_for(here) for here, _ in clips)
    return [
        Hazard(
            code="earthed-lead-before-earth-reference",
            grade=Grade.NOTE,
            sentence=f"The output is earthed by {shown};"
            " while nobody has measured how the output stands to earth, that is a guess.",
            remedy="Leave that lead off until the check earth-reference is done; it will ask.",
            wires=names,
        )
    ]


def _contradictions(wiring: Wiring) -> list[Hazard]:
    if wiring.measured is None:
        return []
    said = _said_without_strap(wiring)
    clips = earthed_clips(wiring)
    found = []
    for terminal, one in wiring.measured.terminals.items():
        leaks = one.kind is Kind.LEAK and (one.ohms or 0.0) < LEAK_BREAKS_TRUST_OHMS
        if (one.kind is Kind.HARD or leaks) and terminal not in said:
            found.append(_tied_unsaid(wiring, terminal, one, bool(clips)))
        elif one.kind is not Kind.HARD and terminal in said:
            found.append(_said_untied(terminal, said[terminal]))
    return found


def _said_without_strap(wiring: Wiring) -> dict[str, str]:
    """Ties that the files say and that stay while the check measures: the strap is off then."""
    ties = dict(earthed_output(wiring.profile))
    for one in wiring.bench.instrument:
        if one.role == "supply" and one.reference in {"earthed", "unknown"}:
            ties.setdefault("unit.minus", f"the remote interface {one.name}")
    return ties


def _tied_unsaid(wiring: Wiring, terminal: str, measured: TerminalReference, clips: bool) -> Hazard:
    hard = measured.kind is Kind.HARD
    ohms = measured.ohms if measured.ohms is not None else measured.high_ohms
    about = "" if measured.ohms is not None else "at most "
    current_a = wiring.profile.unit.voltage.high / ohms
    return Hazard(
        code="earth-reference-contradicts",
        grade=Grade.STOP if hard and clips else Grade.ASK if clips else Grade.NOTE,
        sentence=f"The files say that the output floats; measured,"
        f" {words_for(terminal)} is tied to earth by {about}{written(ohms, 'Ω')}."
        + (" No earthed lead may be joined to it now." if clips else ""),
        remedy="Find the tie inside the unit (output-to-chassis capacitor, insulating washer, a"
        " link left on the posts) before any earthed lead goes on.",
        value=current_a,
        unit="A",
        numbers={"sustained_a": current_a, "ohms": ohms},
    )


def _said_untied(terminal: str, words: str) -> Hazard:
    return Hazard(
        code="earth-reference-contradicts",
        grade=Grade.NOTE,
        sentence=f"The files say that {words_for(terminal)} is earthed ({words}); measured, it is"
        " not.",
        remedy="Find the broken earth connection of the output, or correct the file.",
    )
