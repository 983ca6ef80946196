"""What load, meter and scope are rated for against what the unit can give."""

from __future__ import annotations

from runner.bench import Instrument
from runner.hookup.hazards import Grade, Hazard, Wiring, written
from runner.hookup.instruments import used_channels
from runner.hookup.mains import mains_volts
from runner.hookup.unit import output_volts

__all__ = ["rating_rules"]


def rating_rules(wiring: Wiring) -> list[Hazard]:
    """Return a hazard for each rating that the unit can pass."""
    found: list[Hazard] = []
    for one in wiring.bench.instrument:
        if one.role == "load":
            found += _load(wiring, one)
        elif one.role in {"meter", "scope"}:
            found += _inputs(wiring, one)
    return [*found, *_line_voltage(wiring)]


def _load(wiring: Wiring, load: Instrument) -> list[Hazard]:
    rated = wiring.profile.unit
    across_v = _across(wiring, f"{load.name}.plus", f"{load.name}.minus")
    top_v = max(output_volts(wiring.profile), across_v)
    rows = (
        ("voltage", load.voltage_max, top_v, "V", "over-voltage destroys a load even when off"),
        ("current", load.current_max, rated.current.high, "A", "it cannot take the rated load"),
        ("power", load.power_max, rated.voltage.high * rated.current.high, "W",
         "it cannot take the rated load"),
    )  # fmt: skip
    found = []
    for what, most, needed, unit, why in rows:
        if most is not None and most < needed:
            found.append(
                Hazard(
                    code=f"load-{what}-rating",
                    grade=Grade.STOP,
                    sentence=f"{load.name} is rated for {written(most, unit)}, and the unit gives"
                    f" up to {written(needed, unit)}: {why}.",
                    remedy="Use a load rated for at least what the unit gives.",
                    value=needed,
                    unit=unit,
                    numbers={f"needed_{unit.lower()}": needed, f"rated_{unit.lower()}": most},
                )
            )
    if load.voltage_max is None:
        found.append(
            Hazard(
                code="load-rating-unknown",
                grade=Grade.ASK,
                sentence=f"The bench file does not say what voltage {load.name} is rated for; the"
                f" unit gives up to {written(top_v, 'V')}.",
                remedy="Look it up and write voltage_max into the bench file.",
                value=top_v,
                unit="V",
            )
        )
    return found


def _across(wiring: Wiring, a: str, b: str) -> float:
    """Largest voltage between two points in V, dc or peak of the line; 0 where none is known."""
    points = wiring.surge.voltages
    if a not in points or b not in points:
        return 0.0
    direct = abs(wiring.surge.across(a, b) or 0.0)
    line = max(abs(solved.across(a, b) or 0.0) for _, solved in wiring.line)
    return float(direct + line * 2**0.5)


def _inputs(wiring: Wiring, one: Instrument) -> list[Hazard]:
    if one.role == "meter":
        pairs = [(f"{one.name}.hi", f"{one.name}.lo", 1.0)]
    else:
        pairs = [
            (
                f"{one.name}.{channel}.tip",
                f"{one.name}.{channel}.shell",
                one.probes[channel].factor if channel in one.probes else 1.0,
            )
            for channel in used_channels(wiring.bench, one)
        ]
    found = []
    for hi, lo, factor in pairs:
        volts = _across(wiring, hi, lo)
        if one.voltage_max is not None and volts > one.voltage_max * factor:
            most_v = one.voltage_max * factor
            found.append(
                Hazard(
                    code="input-over-voltage",
                    grade=Grade.STOP,
                    sentence=f"{written(volts, 'V')} would stand at {hi.removesuffix('.tip')},"
                    f" which takes {written(most_v, 'V')}.",
                    remedy="Use a higher range, a ×10 probe, or another instrument.",
                    value=volts,
                    unit="V",
                    numbers={"volts": volts, "rated_v": most_v},
                )
            )
    return found


def _line_voltage(wiring: Wiring) -> list[Hazard]:
    here_v, rated_v = mains_volts(wiring.bench), wiring.profile.unit.mains.voltage_v
    if abs(here_v - rated_v) <= 0.1 * rated_v:
        return []
    return [
        Hazard(
            code="line-voltage-mismatch",
            grade=Grade.STOP,
            sentence=f"The bench brings {here_v:g} V mains; the unit is set for {rated_v:g} V.",
            remedy="Check line selector and fuse, or bring the voltage the unit is set for.",
            value=here_v,
            unit="V",
            defers=True,
            numbers={"volts": here_v, "rated_v": rated_v},
        )
    ]
