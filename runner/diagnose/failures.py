"""Features that say which findings fail, on which side, and by how many times their limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from runner.diagnose.feature import (
    BAD,
    EITHER,
    Feature,
    Read,
    grade,
    is_near,
    measured,
    named,
    worst,
)
from runner.finding import Finding
from runner.quantity import format_quantity

__all__ = ["FAILURES"]

SHORT_OHM = 1e3
"""Below this a path to earth is called a short, above it a leak (common practice)."""
EITHER_TIE = f"short{EITHER}leak"


def _worst_of(check: str, *whats: str, side: bool = False) -> Read:
    """Grade of the worst finding of these names."""

    def read(findings: Sequence[Finding]) -> Feature | None:
        known = measured(findings, check, *whats)
        if not known:
            return None
        f = worst(known)
        says = f"{f.what} {f.at}".strip() + f": {f.value:.4g} {f.unit}".rstrip()
        return Feature(grade(f, side=side), says, f.value)

    return read


def _earth(terminal: str) -> Read:
    def read(findings: Sequence[Finding]) -> Feature | None:
        for f in measured(findings, "earth-reference", f"resistance of {terminal} to earth"):
            return _tie(f, f"{terminal} to earth")
        return None

    return read


def _tie(f: Finding, which: str) -> Feature:
    """Tell a short from a leak, where the interval does not hold both.

    A failure without uncertainty is a bound from above: the path has anything from nothing to it.
    """
    ohm = f.value or 0.0
    if f.decision not in BAD:
        return Feature("ok", f"{which} {format_quantity(ohm, 'Ω', 3)}", ohm)
    low_ohm = 0.0 if f.u_expanded is None else max(ohm - f.u_expanded, 0.0)
    high_ohm = ohm + (f.u_expanded or 0.0)
    state = "short" if high_ohm < SHORT_OHM else "leak" if low_ohm >= SHORT_OHM else EITHER_TIE
    value, high = (format_quantity(x, "Ω", 3) for x in (ohm, high_ohm))
    says = value if low_ohm > 0.0 else f"at most {high}"
    return Feature("near" if is_near(f) else state, f"{which} {says}", ohm)


def _earth_leak(findings: Sequence[Finding]) -> Feature | None:
    """Whether either terminal leaks to earth without being shorted to it, where that is known."""
    both = [_earth(terminal)(findings) for terminal in ("plus", "minus")]
    known = [one for one in both if one is not None and one.state != EITHER_TIE]
    if not known:
        return None
    leaky = [one for one in known if one.state == "leak"]
    state = "yes" if leaky and not any(one.state == "short" for one in known) else "no"
    return Feature(state, (leaky or known)[0].says, (leaky or known)[0].value)


def _setting(findings: Sequence[Finding]) -> Feature | None:
    """Where the set point is missed: ``ok``, ``all``, ``top``, ``bottom`` or ``some``."""
    points = [f for f in measured(findings, "setting", "error of the output voltage")
              if "rising" in f.at]  # fmt: skip
    if not points:
        return None
    bad = [f.decision in BAD and not is_near(f) for f in points]
    many, count = len(bad), sum(bad)
    if not count:
        state = "near" if any(is_near(f) for f in points) else "ok"
    elif count > 0.7 * many:
        state = "all"
    elif bad == sorted(bad):
        state = "top"
    elif bad == sorted(bad, reverse=True):
        state = "bottom"
    else:
        state = "some"
    f = max(points, key=lambda f: abs(f.value or 0.0))
    says = f"{count} of {many} set points missed, worst {f.value:+.3g} V at {f.at}"
    return Feature(state, says, f.value)


def _load(findings: Sequence[Finding]) -> Feature | None:
    """Where load pulls the output down: ``none``, ``top`` (rated voltage), ``low``, ``both``."""
    effects = measured(findings, "load-effect", "load effect")
    if len(effects) < 2:
        return None
    top, low = effects[0], effects[1]
    bad = tuple(f.decision in BAD and not is_near(f) for f in (top, low))
    words = {(True, False): "top", (False, True): "low", (True, True): "both"}
    state = words.get(bad, "near" if is_near(top) or is_near(low) else "none")  # type: ignore[arg-type]
    says = f"load effect {top.value:+.3g} V {top.at}, {low.value:+.3g} V {low.at}"
    return Feature(state, says, top.value)


def _headroom(findings: Sequence[Finding]) -> Feature | None:
    """At which of the highest points low line breaks through."""
    whats = ("ripple at low line", "change of output voltage at low line", "line voltage margin")
    points = measured(findings, "headroom", *whats)
    if not points:
        return None
    bad = [f for f in points if f.decision in BAD and not is_near(f)]
    at_max = any(f.at.startswith("maximum") for f in bad)
    at_tap = any(f.at.startswith("below") for f in bad)
    quiet = "near" if any(is_near(f) for f in points) else "none"
    state = {(0, 0): quiet, (1, 0): "maximum", (0, 1): "tap", (1, 1): "both"}[at_max, at_tap]
    says = f"{len(bad)} of {len(points)} figures fail at low line"
    if bad:
        says += f", {bad[0].what} {bad[0].at}: {bad[0].value:.3g} {bad[0].unit}"
    return Feature(state, says, bad[0].value if bad else None)


def _recovery(findings: Sequence[Finding]) -> Feature | None:
    """Recovery after a load step: graded, or ``never`` when the record ends outside the band."""
    steps = named(findings, "transient", "recovery time")
    gone = [f for f in steps if f.value is None and f.decision in BAD]
    if gone:
        return Feature("never", gone[0].reason)
    return _worst_of("transient", "recovery time")(steps)


def _tap_unseen(findings: Sequence[Finding]) -> Feature | None:
    """``yes`` when no tap point was found, ``loaded`` when only heavy load hides it."""
    mine = named(findings, "tap-map", "tap")
    gone = [f for f in mine if f.value is None and "no change of winding" in f.reason]
    if not mine or mine[0].reason.startswith("the run ended"):
        return None
    if not gone:
        return Feature("no", "the tap points were found")
    state = "loaded" if measured(findings, "tap-map", "tap point") else "yes"
    return Feature(state, " ".join((gone[0].what, gone[0].at, gone[0].reason)))


FAILURES: Mapping[str, Read] = {
    "earth_plus": _earth("plus"),
    "earth_minus": _earth("minus"),
    "earth_leak": _earth_leak,
    "setting": _setting,
    "gain": _worst_of("setting", "gain error", side=True),
    "offset": _worst_of("setting", "offset", side=True),
    "top": _worst_of("setting", "highest output voltage", side=True),
    "knob_falls": _worst_of("setting", "falls of the voltage", "jumps of the voltage"),
    "load": _load,
    "load_top": _worst_of("load-effect", "load effect", "output resistance"),
    "bend": _worst_of("load-effect", "bend of the load line"),
    "tail": _worst_of("load-effect", "thermal tail"),
    "headroom": _headroom,
    "low_line": _worst_of("headroom", "ripple at low line", "change of output voltage"),
    "tap_count": _worst_of("tap-map", "changes of winding over the whole range"),
    "tap_shift": _worst_of("tap-map", "tap point", side=True),
    "tap_unseen": _tap_unseen,
    "hysteresis": _worst_of("tap-map", "hysteresis of"),
    "chatter": _worst_of("tap-map", "changes of winding at rest"),
    "power_follows": _worst_of("tap-map", "inlet power follows"),
    "ripple_size": _worst_of("ripple", "ripple and noise, rms"),
    "limit": _worst_of("current-limit", "error of the limited current", side=True),
    "limit_slope": _worst_of("current-limit", "change of limited current"),
    "knee": _worst_of("current-limit", "width of the knee"),
    "recovery": _recovery,
    "ringing": _worst_of("transient", "ring cycles"),
    "impedance": _worst_of("impedance", "output impedance"),
    "overshoot": _worst_of("switching", "overshoot", "swing below zero"),
    "reverse_clamp": _worst_of("back-feed", "voltage of a reversed source"),
    "outside_current": _worst_of("back-feed", "current taken from an outside source"),
    "drift": _worst_of("drift", "drift after warm-up"),
}
