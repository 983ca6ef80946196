"""What the record says about parts, in numbers with an interval, where physics allows it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from runner.checks.points import full_load_a
from runner.diagnose.capacitors import capacitor_estimates, output_farads, reservoir_farads
from runner.diagnose.estimate import Estimate, not_from_these, root_sum
from runner.diagnose.load_edge import esr_estimate
from runner.diagnose.valley import valley_estimates
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["Estimate", "estimates", "hysteresis_estimates"]

LEAK, THRESHOLD, SENSE = "reservoir-leaky", "tap-threshold-shift", "sense-open"
SWINGS = "regulator-oscillating"
AT_SET_SHARE = 0.05
"""Within this of the set voltage the output regulates (common practice)."""
LIFTED_SHARE = 0.01


def estimates(
    record: Record, findings: Sequence[Finding], profile: Profile, suspected: Collection[str] = ()
) -> list[Estimate]:
    """All that can be estimated from what was measured at the terminals, and what cannot.

    ``suspected`` are the causes that are named: with a loaded rail among them the reservoir is less
    sure; how far a tap point must move is said only where the thresholds may be at fault; ohms in a
    sense lead look like an ESR; an output that swings by itself does not fall as its capacitor
    does.
    """
    linear = profile.unit.kind != "switch-mode"
    swings = SWINGS in suspected
    output = output_farads(record, profile) if not swings else None
    reservoir = reservoir_farads(record, profile, output, LEAK in suspected) if linear else None
    beside = output.farad / reservoir.farad if output and reservoir else 0.0
    output_esr = esr_estimate(record, output, SENSE in suspected)
    return [
        *_earth(findings),
        *hysteresis_estimates(record, findings),
        *(valley_estimates(record, profile, THRESHOLD in suspected, beside) if linear else []),
        *(capacitor_estimates(output, reservoir) if linear else []),
        *([output_esr] if output_esr is not None else []),
        *([_swings()] if linear and swings else []),
        *([_winding()] if linear else []),
        *_pass_leak(record, profile),
    ]


def _earth(findings: Sequence[Finding]) -> list[Estimate]:
    return [
        Estimate(f"earth {f.what}", f.what, f.value, max(f.value - f.u_expanded, 0.0),
                 f.value + f.u_expanded, "Ω", "two readings with and without the bleed resistor")
        for f in findings
        if f.check == "earth-reference" and f.what.startswith("resistance")
        and f.decision != "pass" and f.value is not None and f.u_expanded is not None
    ]  # fmt: skip


def _hum_pp_v(record: Record) -> float:
    """Ripple of the mains that is there everywhere, from peak to peak, as far as it is a sine.

    It reaches the comparator: the change comes early both ways, and less hysteresis is seen. A
    filter at the comparator may take any part of it off.
    """
    amplitudes: dict[tuple[str, float], float] = {}
    for quantity in ("ripple-f", "ripple-2f"):
        for one in record.check("ripple").of(quantity):
            if one.value is not None:
                place = str(one.at["point"]), float(one.at["share"])
                amplitudes[place] = amplitudes.get(place, 0.0) + one.value
    return 2.0 * min(amplitudes.values(), default=0.0)


def hysteresis_estimates(record: Record, findings: Sequence[Finding]) -> list[Estimate]:
    """Hysteresis of each tap point (V), and the disturbance that it must exceed."""
    found = []
    half_v = _hum_pp_v(record) / 2.0
    for f in findings:
        if f.what.startswith("hysteresis of") and f.value is not None and "50%" in f.at:
            u_v = root_sum([f.u_expanded or 0.0, half_v])
            value_v = f.value + half_v
            found.append(
                Estimate(f"hysteresis {f.what.split()[-1]}", f.what, value_v, value_v - u_v,
                         value_v + u_v, "V", "rising point - falling point, and half the ripple")
            )  # fmt: skip
    disturbance = [
        f for f in findings
        if f.check == "tap-map" and f.what.startswith("glitch") and f.value is not None
    ]  # fmt: skip
    if disturbance:
        worst = max(disturbance, key=lambda f: f.value or 0.0)
        value, u_v = worst.value or 0.0, worst.u_expanded or 0.0
        found.append(
            Estimate("disturbance", "disturbance of the output by a change of winding, which the"
                     " hysteresis must exceed", value, max(value - u_v, 0.0), value + u_v, "V",
                     "largest glitch recorded")
        )  # fmt: skip
    return found


def _swings() -> Estimate:
    why = (
        "the output swings by itself, so it does not fall by the load's current alone: once it"
        " stands still, a trace of it after output off at a load (check `switching`) gives this"
    )
    return not_from_these("output-capacitor", "output capacitor, what is left", "F", why)


def _winding() -> Estimate:
    why = (
        "its drop cannot be told from the winding's own voltage by readings at one load, and the"
        " charging current does not show at the output: unplugged and discharged, four-wire ohms of"
        " each secondary at the relay's pins"
    )
    return not_from_these("winding-ohm", "resistance of the winding and its contact", "Ω", why)


def _pass_leak(record: Record, profile: Profile) -> list[Estimate]:
    """Bounds: the load that pulled the output down to its setting took more than the leak."""
    top_v = profile.unit.voltage.high
    low = [
        r.value for r in record.check("setting").of("output-voltage")
        if r.value is not None and r.at.get("asked_v") == profile.unit.voltage.low
    ]  # fmt: skip
    if not low or min(low, key=abs) < max(LIFTED_SHARE * top_v, 2 * profile.unit.voltage.low):
        return []
    what = "current that the pass element leaks"
    reason = (
        "for a figure: at the lowest setting, a resistor across the output that pulls it below half"
        " of what it shows unloaded; the leak is the voltage over the resistor"
    )
    loads = [
        load_a
        for check in ("load-effect", "ripple")
        for r in record.check(check).of("output-voltage")
        if (load_a := _load_a(r.at, profile)) > 0.0 and r.value is not None
        and abs(r.value - float(r.at["set_v"])) < AT_SET_SHARE * float(r.at["set_v"])
    ]  # fmt: skip
    if not loads:
        return [not_from_these("pass-leak", what, "A", reason)]
    how = "the least load at which the output was at its setting"
    return [Estimate("pass-leak", what, None, 0.0, min(loads), "A", how, reason)]


def _load_a(at: Mapping[str, float | str], profile: Profile) -> float:
    if "load_a" in at:
        return float(at["load_a"])
    return float(at.get("share", 0.0)) * full_load_a(profile)
