"""What an outside source at the output showed: the reverse diode, the current taken, the return."""

from __future__ import annotations

from runner.checks.judging import Judge
from runner.checks.scales import scale_of, valid_values
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.readings import difference
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["NAME", "findings"]

NAME = "back-feed"
HANDHELD = {"V": (0.01, 10e-3), "A": (0.02, 0.1e-3)}
"""Share of the reading and fixed part (V, A) within which a handheld meter is taken to be."""
HANDHELD_SOURCE = "common practice: 1 % + 10 mV and 2 % + 0.1 mA hold for any handheld in order"
TYPED = (
    ("reverse-voltage", "reversed", "reverse-clamp", "voltage of a reversed source",
     "the diode across the output is open: units in series or an inductive load would reverse it"),
    ("back-feed-current", "off", NAME, "current taken from an outside source",
     "something behind the terminals conducts although the unit is off"),
    ("back-feed-current", "on", NAME, "current taken from an outside source",
     "the output draws from a source above its own voltage: more than a bleeder does"),
)  # fmt: skip
"""Quantity, state of the unit, limit, what it is called, and what a failure means."""


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Each typed value against its limit, and whether the output came back."""
    judge = Judge(NAME, profile)
    found = []
    for quantity, state, limit_name, what, reason in TYPED:
        limits = profile.limit(limit_name)
        limit = Limit.at_most(limits.limit.at(0.0))
        unit = "V" if quantity == "reverse-voltage" else "A"
        seen = [one for one in data.of(quantity) if one.at.get("state") == state]
        if not seen or seen[-1].value is None:
            why = _why(data, seen)
            found.append(
                judge.not_measured(what, unit, why, at=state, limit=limit, source=limits.source)
            )
            continue
        budget = _handheld(what, seen[-1].value, unit)
        at = _at(state, seen[-1])
        found.append(judge.apply(budget, limit, limits.source, at=at, reason=reason))
    return [*found, _return(data, profile, judge)]


def _why(data: CheckData, seen: list[Reading]) -> str:
    if seen:
        return str(seen[-1].reason)
    words = "; ".join(str(event["words"]) for event in data.events_of("not-joined"))
    return "no outside source was joined" + (f" ({words})" if words else "")


def _at(state: str, reading: Reading) -> str:
    if state == "reversed":
        return f"reversed, unit off, source limited to {1e3 * float(reading.at['source_a']):.0f} mA"
    return (
        f"unit {state}, {float(reading.at['source_v']):.4g} V through"
        f" {float(reading.at['series_ohm']):.0f} Ω"
    )


def _handheld(what: str, value: float, unit: str) -> Budget:
    share, fixed = HANDHELD[unit]
    half_width = share * abs(value) + fixed
    name = "accuracy of the handheld meter"
    line = Line.from_limit(name, half_width, unit=unit, value=value, source=HANDHELD_SOURCE)
    return Budget(what, unit, value, (line,))


def _return(data: CheckData, profile: Profile, judge: Judge) -> Finding:
    """The output after the source is gone, against before; the load effect's limit."""
    limits = profile.limit("load-effect")
    what = "change of output voltage after an outside source was taken off"
    before = [one for one in data.of("output-voltage", when="before") if one.valid]
    after = [one for one in data.of("output-voltage", when="after") if one.valid]
    if not before or not after or not data.of("back-feed-current", state="on"):
        why = "no readings before and after an outside source"
        return judge.not_measured(what, "V", why, source=limits.source)
    set_v = float(before[0].at["set_v"])
    limit = Limit.about(0.0, limits.limit.at(set_v))
    scale = scale_of(data, before[0])
    budget = difference(what, valid_values(after), valid_values(before), scale, paired=False)
    reason = "the output does not come back to where it was"
    return judge.apply(budget, limit, limits.source, at=f"{set_v:.6g} V", reason=reason)
