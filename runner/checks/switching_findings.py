"""What the switching records say: overshoot above the set voltage, swing below zero."""

from __future__ import annotations

import numpy as np

from runner.checks.judging import Judge
from runner.checks.scales import DIVISIONS, scope_scale_of
from runner.errors import RecordError
from runner.finding import Finding
from runner.metrology.limit import Limit
from runner.metrology.scope_budgets import scope_pp
from runner.profile import Profile
from runner.record.reader import CheckData, WaveformLine
from runner.signals.samples import FloatArray, Invalid, checked_record

__all__ = ["NAME", "findings", "overshoot_v", "reverse_v"]

NAME = "switching"
EVENTS = ("output on", "output off", "mains on", "mains off")
REST_SHARE = 0.1
EDGE_SAMPLES = 20
ZERO_DIV = 0.2
"""A trace this near to the scope's zero rests at zero: usual offsets are 0.1 division."""


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Worst overshoot of each event at each voltage, worst reverse swing of each way off."""
    judge = Judge(NAME, profile)
    found = []
    places = [(e, v) for e in EVENTS for v in _voltages(data, e)]
    for event, set_v in places:
        found.append(_overshoot(data, profile, judge, event, set_v))
        if event.endswith("off"):
            found.append(_reverse(data, profile, judge, event, set_v))
    return found


def _voltages(data: CheckData, event: str) -> list[float]:
    at = [line.at for line in data.waveforms] + data.events_of("no-trigger")
    at += [lost["at"] for lost in data.events_of("waveform-invalid")]
    return sorted({float(one["set_v"]) for one in at if one.get("event") == event})


def _lines(data: CheckData, event: str, set_v: float, view: str) -> list[WaveformLine]:
    return [
        line
        for line in data.waveforms
        if line.at["event"] == event and line.at["set_v"] == set_v and line.at["view"] == view
    ]


def _why(data: CheckData, event: str, set_v: float, view: str) -> str:
    """What was wrong with the records of one place; empty where there were none."""
    place = {"event": event, "set_v": set_v, "view": view}
    lost = (e for e in data.events_of("waveform-invalid") if place.items() <= e["at"].items())
    return "; ".join(sorted({str(one["reason"]) for one in lost}))


def _overshoot(
    data: CheckData, profile: Profile, judge: Judge, event: str, set_v: float
) -> Finding:
    limits = profile.limit("switching-overshoot")
    limit = Limit.at_most(limits.limit.at(set_v))
    what, at = f"overshoot, {event}", f"at {set_v:.4g} V"
    lines = _lines(data, event, set_v, "top")
    if not lines:
        why = _why(data, event, set_v, "top") or "the output was not seen to pass its set voltage"
        return judge.not_measured(what, "V", why, at=at, limit=limit, source=limits.source)
    return _worst(data, judge, lines, what, at, limit, limits.source, above=True)


def _reverse(data: CheckData, profile: Profile, judge: Judge, event: str, set_v: float) -> Finding:
    reverse = profile.limit("switching-reverse")
    limit = Limit.at_most(reverse.limit.at(set_v))
    what, at = f"swing below zero, {event}", f"at {set_v:.4g} V"
    lines = _lines(data, event, set_v, "bottom")
    if not lines:
        why = _why(data, event, set_v, "bottom") or "the output was not seen to come down to zero"
        return judge.not_measured(what, "V", why, at=at, limit=limit, source=reverse.source)
    return _worst(data, judge, lines, what, at, limit, reverse.source, above=False)


def _worst(
    data: CheckData, judge: Judge, lines: list[WaveformLine], what: str, at: str, limit: Limit,
    source: str, *, above: bool,
) -> Finding:  # fmt: skip
    """Worst of all records of one event; one record that cannot be used spoils the finding."""
    values = []
    for line in lines:
        samples = _samples(line)
        if isinstance(samples, str):
            return judge.not_measured(what, "V", samples, at=at, limit=limit, source=source)
        rising = str(line.at["event"]).endswith("on")
        before = int(-float(line.fields["t0_s"]) / float(line.fields["dt_s"]))
        zero_v = ZERO_DIV * float(line.fields["span_v"]) / DIVISIONS
        values.append(overshoot_v(samples, before, rising) if above else reverse_v(samples, zero_v))
    worst = lines[int(np.argmax(values))]
    fields = worst.fields
    scale = scope_scale_of(data, fields["instrument"], fields["span_v"], fields["probe"])
    budget = scope_pp(what, [max(values)], scale)
    return judge.apply(budget, limit, source, at=f"{at}, {float(worst.at['load_a']):.3g} A")


def _samples(line: WaveformLine) -> FloatArray | str:
    try:
        found = checked_record(line.volts(), name="the switching record", minimum=100)
    except RecordError as error:
        return str(error)
    return found.reason if isinstance(found, Invalid) else found


def overshoot_v(volts: FloatArray, before: int, rising: bool) -> float:
    """How far the trace (n,) goes above its resting level, V, never below 0.

    The level is that of the end of the record for switching on, that of its beginning (up to
    the trigger, ``before`` samples) for switching off. The bottom of the trace is off screen.
    """
    if rising:
        rest = volts[-max(EDGE_SAMPLES, int(REST_SHARE * volts.size)) :]
    else:
        rest = volts[: max(EDGE_SAMPLES, before // 2)]
    return max(0.0, float(volts.max()) - float(np.median(rest)))


def reverse_v(volts: FloatArray, zero_v: float) -> float:
    """How far the trace goes below zero, V, never below 0.

    Zero is where it comes to rest, if that is within ``zero_v`` of the scope's own: then both
    are samples of one trace, and the scope's offset leaves. An output that rests elsewhere is
    measured from the scope's zero.
    """
    rest = float(np.median(volts[-max(EDGE_SAMPLES, int(REST_SHARE * volts.size)) :]))
    return max(0.0, (rest if abs(rest) <= zero_v else 0.0) - float(volts.min()))
