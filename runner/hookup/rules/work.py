"""Hazards of the work itself: open case, charged capacitors, lifted earths, what stands in line."""

from __future__ import annotations

from math import sqrt

from runner.hookup.hazards import Grade, Hazard, Wiring, written
from runner.hookup.mains import mains_volts

__all__ = ["work_rules"]


def work_rules(wiring: Wiring) -> list[Hazard]:
    """Return hazards of how the work is set up."""
    return [
        *_lifted(wiring),
        *_case_without_earth(wiring),
        *_open_case(wiring),
        *_isolating_transformer(wiring),
        *_softened_line(wiring),
        *_battery_computer(wiring),
    ]


def _lifted(wiring: Wiring) -> list[Hazard]:
    return [
        Hazard(
            code="earth-lifted",
            grade=Grade.STOP,
            sentence=f"The earth of {one.name} is lifted: its case, every screen and every data"
            " cable take the voltage of whatever the clip touches. This is refused whatever the"
            " circuit.",
            remedy="Restore the earth. For a floating point use a differential probe or isolated"
            " channels, or isolate the unit instead.",
            defers=True,
        )
        for one in wiring.bench.instrument
        if one.earth_lifted
    ]


def _case_without_earth(wiring: Wiring) -> list[Hazard]:
    if wiring.bench.mains.earth_reaches_unit or wiring.profile.unit.protection_class != "I":
        return []
    return [
        Hazard(
            code="unit-without-earth",
            grade=Grade.STOP,
            sentence="The protective conductor does not reach the unit (class I): at a fault inside"
            f" its case stands at {mains_volts(wiring.bench):g} V.",
            remedy="Carry the protective conductor straight through lamp limiter, variac and"
            " transformer to the unit.",
            value=mains_volts(wiring.bench),
            unit="V",
            defers=True,
        )
    ]


def _open_case(wiring: Wiring) -> list[Hazard]:
    if wiring.bench.unit.case != "open":
        return []
    volts = mains_volts(wiring.bench)
    found = [
        Hazard(
            code="case-open",
            grade=Grade.ASK,
            sentence=f"The case is open: parts at {volts:g} V mains can be touched.",
            remedy="Cover what need not be reached; clip only with the plug out; one hand; nobody"
            " works on it alone.",
            value=volts,
            unit="V",
            defers=True,
        )
    ]
    if wiring.profile.unit.kind == "switch-mode":
        peak_v = sqrt(2) * volts
        stored_j = 0.5 * wiring.bench.unit.primary_capacitor * peak_v**2
        found.append(
            Hazard(
                code="primary-capacitors",
                grade=Grade.ASK,
                sentence=f"The capacitors on the mains side hold {written(stored_j, 'J')} at"
                f" {written(peak_v, 'V')} for minutes after the plug is out.",
                remedy="Plug out, wait, measure that they are empty, discharge through a resistor;"
                " never with a screwdriver.",
                value=stored_j,
                unit="J",
                defers=True,
                numbers={"energy_j": stored_j, "volts": peak_v},
            )
        )
    return found


def _isolating_transformer(wiring: Wiring) -> list[Hazard]:
    mains = wiring.bench.mains
    if "isolating-transformer" not in mains.chain:
        return []
    fed = mains.isolating_transformer_feeds
    others = [name for name in fed if name != "unit"]
    scopes = [one.name for one in wiring.bench.instrument if one.role == "scope"]
    found = []
    if "unit" in fed and others:
        probed = any(wiring.wired(p) for p in ("unit.mains-l", "unit.mains-n", "unit.primary"))
        found.append(
            Hazard(
                code="isolating-transformer-shared",
                grade=Grade.STOP if probed else Grade.ASK,
                sentence=f"The isolating transformer feeds {', '.join(others)} besides the unit:"
                " one of them earthed, and it isolates neither.",
                remedy="Let it feed the unit under repair alone.",
                value=mains_volts(wiring.bench),
                unit="V",
                defers=True,
            )
        )
    if any(name in scopes for name in others):
        found.append(
            Hazard(
                code="scope-on-isolating-transformer",
                grade=Grade.STOP,
                sentence="A scope hangs on the isolating transformer: its case floats with whatever"
                " its clip touches.",
                remedy="The transformer belongs on the unit; the scope stays earthed.",
                value=mains_volts(wiring.bench),
                unit="V",
                defers=True,
            )
        )
    return found


def _softened_line(wiring: Wiring) -> list[Hazard]:
    chain, found = wiring.bench.mains.chain, []
    if "lamp-limiter" in chain:
        found.append(
            Hazard(
                code="lamp-limiter-in-line",
                grade=Grade.NOTE,
                sentence="A lamp limiter stands in the line: only the idle look can be judged.",
                remedy="Take it out, and bring the line to its nominal voltage, before the checks.",
            )
        )
    if "variac" in chain:
        found.append(
            Hazard(
                code="variac-in-line",
                grade=Grade.NOTE,
                sentence="A variac stands in the line: it sets the voltage and isolates nothing.",
                remedy="Measure the voltage at the unit's inlet before each check.",
            )
        )
    return found


def _battery_computer(wiring: Wiring) -> list[Hazard]:
    joined = any(wiring.graph.sets.same("pc.earth", p) for p in ("unit.minus", "unit.plus"))
    if wiring.bench.pc.power != "battery" or not joined:
        return []
    return [
        Hazard(
            code="computer-on-battery",
            grade=Grade.ASK,
            sentence="The output is joined to the computer by a data cable; it floats only as long"
            " as the computer stays off its charger.",
            remedy="Leave the charger out of the room, or use an isolated interface.",
        )
    ]
