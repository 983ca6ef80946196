"""What a record shows, in words that causes can be compared with.

Each feature has a state (``ok``, ``low``, ``top`` …) and the number it rests on. A feature that
the record does not hold is left out: what was not measured speaks for and against nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from runner.diagnose.mains_content import ripple_line, ripple_regulated, ripple_where
from runner.finding import Decision, Finding
from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["Feature", "features_of"]

BAD = {Decision.FAIL, Decision.CONDITIONAL_FAIL}
DEEP_SHARE = 0.25
"""Share of the output beyond which a line step of ±10 % cannot be dropout alone (calc: 20 %)."""
EARTH_TEST_V = 20.0
SHORT_OHM = 1e3
"""Below this a path to earth is called a short, above it a leak (common practice)."""


@dataclass(frozen=True, slots=True)
class Feature:
    """A state and the number behind it; ``says`` is the sentence a person reads."""

    state: str
    says: str
    value: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


def features_of(
    record: Record, findings: Sequence[Finding], profile: Profile
) -> dict[str, Feature]:
    """Return the features that this record holds, by name."""
    found: dict[str, Feature] = {}
    for name, read in _READERS.items():
        feature = read(findings)
        if feature is not None:
            found[name] = feature
    ripple = record.check("ripple")
    mains_hz = profile.unit.mains.frequency_hz
    for name, told in (
        ("ripple_line", ripple_line(ripple, mains_hz)),
        ("regulated", ripple_regulated(ripple, mains_hz)),
        ("ripple_where", ripple_where(findings)),
    ):
        if told is not None:
            found[name] = Feature(*told)
    for name, one in (("zero", _zero(record, profile)), ("early", _early(record))):
        if one is not None:
            found[name] = one
    return found


def _of(findings: Iterable[Finding], check: str, what: str) -> list[Finding]:
    return [f for f in findings if f.check == check and f.what.startswith(what)]


def _measured(findings: Iterable[Finding], check: str, what: str) -> list[Finding]:
    return [f for f in _of(findings, check, what) if f.value is not None]


def _earth(terminal: str) -> Callable[[Sequence[Finding]], Feature | None]:
    def read(findings: Sequence[Finding]) -> Feature | None:
        for f in _measured(findings, "earth-reference", f"resistance of {terminal} to earth"):
            ohm = f.value or 0.0
            bad = f.decision in BAD
            state = "ok" if not bad else "short" if ohm < SHORT_OHM else "leak"
            return Feature(state, f"{terminal} to earth {ohm:.3g} Ω", ohm)
        return None

    return read


def _earth_leak(findings: Sequence[Finding]) -> Feature | None:
    """Whether either terminal leaks to earth without being shorted to it."""
    both = [_earth(terminal)(findings) for terminal in ("plus", "minus")]
    known = [one for one in both if one is not None]
    if not known:
        return None
    leaky = [one for one in known if one.state == "leak"]
    state = "yes" if leaky and not any(one.state == "short" for one in known) else "no"
    return Feature(state, (leaky or known)[0].says, (leaky or known)[0].value)


def _side(f: Finding) -> str:
    value = f.value or 0.0
    if f.decision not in BAD:
        return "ok"
    return "low" if f.limit_low is not None and value < f.limit_low else "high"


def _sided(check: str, what: str) -> Callable[[Sequence[Finding]], Feature | None]:
    """Worst finding of this name: ``ok``, ``low`` or ``high``."""

    def read(findings: Sequence[Finding]) -> Feature | None:
        measured = _measured(findings, check, what)
        if not measured:
            return None
        f = next((f for f in measured if f.decision in BAD), measured[0])
        words = f"{f.what} {f.at}".strip()
        return Feature(_side(f), f"{words}: {f.value:.4g} {f.unit}".rstrip(), f.value)

    return read


def _setting(findings: Sequence[Finding]) -> Feature | None:
    """Where the set point is missed: ``ok``, ``all``, ``top``, ``bottom`` or ``some``."""
    points = [f for f in _measured(findings, "setting", "error of the output voltage")
              if "rising" in f.at]  # fmt: skip
    if not points:
        return None
    bad = [f.decision in BAD for f in points]
    many, count = len(bad), sum(bad)
    if not count:
        state = "ok"
    elif count > 0.7 * many:
        state = "all"
    elif bad == sorted(bad):
        state = "top"
    elif bad == sorted(bad, reverse=True):
        state = "bottom"
    else:
        state = "some"
    worst = max(points, key=lambda f: abs(f.value or 0.0))
    says = f"{count} of {many} set points missed, worst {worst.value:+.3g} V at {worst.at}"
    return Feature(state, says, worst.value)


def _load(findings: Sequence[Finding]) -> Feature | None:
    """Where load pulls the output down: ``none``, ``top`` (rated voltage), ``low``, ``both``."""
    effects = _measured(findings, "load-effect", "load effect")
    if len(effects) < 2:
        return None
    top, low = effects[0], effects[1]
    state = {
        (False, False): "none", (True, False): "top", (False, True): "low", (True, True): "both",
    }[top.decision in BAD, low.decision in BAD]  # fmt: skip
    says = f"load effect {top.value:+.3g} V {top.at}, {low.value:+.3g} V {low.at}"
    return Feature(state, says, top.value)


def _headroom(findings: Sequence[Finding]) -> Feature | None:
    """At which of the highest points low line breaks through."""
    points = _measured(findings, "headroom", "ripple at low line") + _measured(
        findings, "headroom", "change of output voltage at low line"
    )
    if not points:
        return None
    bad = [f for f in points if f.decision in BAD]
    at_max = any(f.at.startswith("maximum") for f in bad)
    at_tap = any(f.at.startswith("below") for f in bad)
    state = {(0, 0): "none", (1, 0): "maximum", (0, 1): "tap", (1, 1): "both"}[at_max, at_tap]
    says = f"{len(bad)} of {len(points)} figures fail at low line"
    if bad:
        says += f", {bad[0].what} {bad[0].at}: {bad[0].value:.3g} {bad[0].unit}"
    return Feature(state, says, bad[0].value if bad else None)


def _source(findings: Sequence[Finding]) -> Feature | None:
    """``bad`` follows the line as dropout does, ``deep`` loses more than the line: a winding."""
    for f in _measured(findings, "source-effect", "source effect"):
        volts = re.search(r"at ([\d.]+) V", f.at)
        deep = volts is not None and abs(f.value or 0.0) > DEEP_SHARE * float(volts[1])
        state = "ok" if f.decision not in BAD else "deep" if deep else "bad"
        return Feature(state, f"{f.what} {f.at}: {f.value:.3g} V", f.value)
    return None


def _tap_shift(findings: Sequence[Finding]) -> Feature | None:
    """Whether rising tap points lie where they should."""
    points = [f for f in _measured(findings, "tap-map", "tap point") if "rising" in f.what]
    if not points:
        return None
    f = next((f for f in points if f.decision in BAD), points[0])
    return Feature(_side(f), f"{f.what} {f.at}: {f.value:.4g} V", f.value)


def _tap_count(findings: Sequence[Finding]) -> Feature | None:
    for f in _of(findings, "tap-map", "changes of winding over the whole range"):
        if f.value is None:
            return None
        state = "ok" if f.decision not in BAD else "wrong"
        return Feature(state, f"{f.value:g} changes of winding, {f.limit_high:g} expected", f.value)
    return None


def _bad_or_ok(check: str, *whats: str) -> Callable[[Sequence[Finding]], Feature | None]:
    def read(findings: Sequence[Finding]) -> Feature | None:
        measured = [f for what in whats for f in _measured(findings, check, what)]
        if not measured:
            return None
        bad = [f for f in measured if f.decision in BAD]
        f = (bad or measured)[0]
        says = f"{f.what} {f.at}: {f.value:.4g} {f.unit}".strip()
        return Feature("bad" if bad else "ok", says, f.value)

    return read


def _tripped(findings: Sequence[Finding]) -> Feature | None:
    off = [f for f in findings if f.what == "output stays on"]
    if not off:
        return Feature("no", "the output stayed on")
    first = off[0]
    state = "early" if first.check in {"earth-reference", "setting"} else "later"
    return Feature(state, f"the output went off by itself in {first.check}: {first.reason}")


def _tap_unseen(findings: Sequence[Finding]) -> Feature | None:
    gone = [f for f in findings if f.check == "tap-map" and f.decision is Decision.NOT_MEASURED]
    if not any(f.check == "tap-map" for f in findings):
        return None
    if gone and gone[0].reason.startswith("the run ended"):
        return None
    state = "yes" if gone and not _measured(findings, "tap-map", "tap point") else "no"
    return Feature(state, gone[0].reason if gone else "the tap points were found")


def _zero(record: Record, profile: Profile) -> Feature | None:
    """What is left at the output when it is set to its lowest voltage."""
    readings = [
        r for r in record.check("setting").of("output-voltage")
        if r.value is not None and r.at.get("asked_v") == profile.unit.voltage.low
    ]  # fmt: skip
    if not readings:
        return None
    volts = min((r.value or 0.0 for r in readings), key=abs)
    top = profile.unit.voltage.high
    allowed = profile.limit("setting").limit.at(profile.unit.voltage.low)
    state = "ok" if abs(volts) <= max(allowed, 0.002 * top) else "raw" if volts > top else "lifted"
    return Feature(state, f"{volts:.3g} V at the lowest setting", volts)


def _early(record: Record) -> Feature | None:
    """The output during the first measurement, with nothing on it but a meter."""
    top_v = float(str(record.header["profile"]["unit"]["voltage"]).split("..")[-1].split()[0])
    wanted_v = min(EARTH_TEST_V, top_v)
    values = [
        r.value for r in record.check("earth-reference").of("output-voltage") if r.value is not None
    ]
    if not values:
        return None
    volts = sorted(values)[len(values) // 2]
    state = "high" if volts > 1.3 * wanted_v else "low" if volts < 0.85 * wanted_v else "ok"
    return Feature(state, f"{volts:.3g} V at no load where {wanted_v:g} V were set", volts)


_READERS: dict[str, Callable[[Sequence[Finding]], Feature | None]] = {
    "earth_plus": _earth("plus"),
    "earth_minus": _earth("minus"),
    "earth_leak": _earth_leak,
    "setting": _setting,
    "gain": _sided("setting", "gain error"),
    "offset": _sided("setting", "offset"),
    "top": _sided("setting", "highest output voltage"),
    "knob_falls": _bad_or_ok("setting", "falls of the voltage", "jumps of the voltage"),
    "knob_follows": _bad_or_ok("setting", "output follows the knob"),
    "load": _load,
    "bend": _bad_or_ok("load-effect", "bend of the load line"),
    "source": _source,
    "headroom": _headroom,
    "tap_count": _tap_count,
    "tap_shift": _tap_shift,
    "tap_unseen": _tap_unseen,
    "hysteresis": _bad_or_ok("tap-map", "hysteresis of"),
    "chatter": _bad_or_ok("tap-map", "changes of winding at rest"),
    "power_follows": _bad_or_ok("tap-map", "inlet power follows"),
    "limit": _sided("current-limit", "error of the limited current"),
    "knee": _bad_or_ok("current-limit", "width of the knee"),
    "recovery": _bad_or_ok("transient", "recovery time"),
    "ringing": _bad_or_ok("transient", "ring cycles"),
    "impedance": _bad_or_ok("impedance", "output impedance"),
    "overshoot": _bad_or_ok("switching", "overshoot", "swing below zero"),
    "drift": _bad_or_ok("drift", "drift after warm-up"),
    "tripped": _tripped,
}
