"""What the tap map says: points, hysteresis, missing and swapped windings, chatter, wear."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from runner.checks.judging import Judge
from runner.checks.points import TAP_POINT
from runner.checks.scales import scale_of
from runner.checks.tap_glitch import glitch_findings
from runner.checks.tap_ramp import RAMP
from runner.finding import Finding
from runner.metrology.budget import Budget
from runner.metrology.limit import Limit
from runner.metrology.tap import Motion, hysteresis, tap_point
from runner.profile import Profile, TapPoints
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["GIVEN_UP", "NAME", "findings"]

NAME = "tap-map"
GIVEN_UP = "passes-given-up"
Event = dict[str, Any]


def findings(data: CheckData, profile: Profile) -> list[Finding]:
    """Findings of a unit with tap points; none where the profile has none."""
    taps = profile.tap_points
    if taps is None:
        return []
    judge = Judge(NAME, profile)
    found = _windings(data, taps, judge)
    for tap in range(1, len(taps.up) + 1):
        for share in _shares(data, tap):
            found += _points(data, taps, judge, tap, share)
    found += _chatter(data, profile, judge)
    found += _ramps(data, profile, judge)
    found += _agreement(data, judge)
    found += glitch_findings(data, profile, judge)
    found += _favourites(data, profile, judge)
    found += _wear(data, profile, judge)
    return found


def _shares(data: CheckData, tap: int) -> list[float]:
    words = ("tap-change", "tap-not-found", "chatter", GIVEN_UP)
    events = [event for word in words for event in data.events_of(word) if event["tap"] == tap]
    return sorted({float(event["share"]) for event in events})


def _windings(data: CheckData, taps: TapPoints, judge: Judge) -> list[Finding]:
    """Whether the staircase met every tap point, and each change went the right way."""
    seen = next(iter(data.events_of("windings")), None)
    what = "changes of winding over the whole range"
    source = f"number of tap points in the profile ({taps.source})"
    if seen is None:
        return [judge.not_measured(what, "", "the staircase was not finished", source=source)]
    expected = len(taps.up)
    limit = Limit(float(expected), float(expected))
    missing = [n for n in range(1, expected + 1) if n not in seen["found"]]
    reason = (
        "; ".join(
            f"no change of winding near {taps.up[n - 1].nominal:g} V (tap point {n})"
            for n in missing
        )
        or "more changes of winding than tap points"
    )
    found = [judge.count(what, float(len(seen["found"])), limit, source, reason=reason)]
    for number in missing:
        tolerance = taps.up[number - 1]
        found.append(
            judge.failed(
                f"{TAP_POINT} {number}, rising", "V",
                f"no change of winding was seen; expected at {tolerance.nominal:g} V", taps.source,
            )
        )  # fmt: skip
    return found


def _points(
    data: CheckData, taps: TapPoints, judge: Judge, tap: int, share: float
) -> list[Finding]:
    """Rising and falling point and their difference at one load."""
    at = f"at {share:.0%} of full load"
    tolerance = taps.up[tap - 1]
    up_limit = Limit.about(tolerance.nominal, tolerance.half_width)
    down_limit, down_source = _falling_limit(taps, tap)
    least = _hysteresis_limit(taps, tap)
    up = _point(data, tap, share, "rising")
    down = _point(data, tap, share, "falling")
    found = []
    for budget, direction, limit, source in (
        (up, "rising", up_limit, taps.source),
        (down, "falling", down_limit, down_source),
    ):
        what = f"{TAP_POINT} {tap}, {direction}"
        if isinstance(budget, str):
            found.append(judge.not_measured(what, "V", budget, at=at, limit=limit, source=source))
        else:
            reason = _against_circuit(taps, tap, direction, budget.value)
            found.append(judge.apply(budget, limit, source, at=at, reason=reason))
    what = f"hysteresis of {TAP_POINT} {tap}"
    if isinstance(up, str) or isinstance(down, str):
        why = up if isinstance(up, str) else str(down)
        found.append(judge.not_measured(what, "V", why, at=at, limit=least, source=taps.source))
        return found
    width = hysteresis(up, down)
    named = Budget(what, "V", width.value, width.lines, width.caveats, width.notes)
    reason = _against_circuit(taps, tap, "hysteresis", width.value)
    return [*found, judge.apply(named, least, taps.source, at=at, reason=reason)]


def _hysteresis_limit(taps: TapPoints, tap: int) -> Limit:
    """At least what the profile wants; with a circuit, also what its parts can give."""
    if taps.circuit is None:
        return Limit.at_least(taps.hysteresis_min)
    width = taps.circuit[tap - 1].hysteresis
    low = max(width.low, taps.hysteresis_min)
    return Limit(low, max(low, width.high), nominal=width.nominal)


def _against_circuit(taps: TapPoints, tap: int, which: str, value_v: float) -> str:
    """By how much a measured value misses the one that the circuit's parts give."""
    if taps.circuit is None:
        return ""
    circuit = taps.circuit[tap - 1]
    due = {"rising": circuit.rising, "falling": circuit.falling}.get(which, circuit.hysteresis)
    miss_v = value_v - due.nominal
    return (
        f"{abs(miss_v):.3g} V {'above' if miss_v > 0 else 'below'} the {due.nominal:.4g} V that the"
        f" sensing circuit gives ({due.low:.4g} V to {due.high:.4g} V with its tolerances)"
    )


def _falling_limit(taps: TapPoints, tap: int) -> tuple[Limit, str]:
    if taps.down is not None:
        tolerance = taps.down[tap - 1]
        return Limit.about(tolerance.nominal, tolerance.half_width), taps.source
    tolerance = taps.up[tap - 1]
    highest_v = tolerance.high - taps.hysteresis_min
    source = f"highest rising point less the least hysteresis ({taps.source})"
    return Limit.at_most(highest_v, nominal=tolerance.nominal), source


def _point(data: CheckData, tap: int, share: float, direction: str) -> Budget | str:
    """Budget of one tap point from its passes, or why there is none."""
    changes = [
        event
        for event in data.events_of("tap-change")
        if event["tap"] == tap and event["share"] == share and event["direction"] == direction
    ]
    readings = [Reading.from_dict(event["reading"]) for event in changes]
    values = [v for v in map(_crossing_v, changes) if v is not None]
    short = _given_up(data, tap, share, len(values))
    if short:
        return short
    if not values:
        if _is_chattering(data, tap, share):
            return "the relay chatters there: the search was given up to spare it"
        thrown = [
            str(event["reason"])
            for event in data.events_of("turn-thrown-away")
            if event["tap"] == tap and event["share"] == share and event["direction"] == direction
        ]
        if thrown:
            return f"all {len(thrown)} turns were thrown away ({'; '.join(dict.fromkeys(thrown))})"
        return "no change of winding was found at this load"
    first = next((one for one in readings if one.valid), None)
    if first is None:  # where the output stood was read, but not at the change itself
        return "; ".join(sorted({str(one.reason) for one in readings}))
    step_v = max(float(event["step_v"]) for event in changes)
    rate = max((float(event.get("rate_v_per_s", 0.0)) for event in changes), default=0.0)
    late = max((float(event.get("latency_s", 0.0)) for event in changes), default=0.0)
    # Each pass holds the point between what was held and what was reached. Where in between
    # differs from pass to pass and is in their scatter; what they may have in common, such as
    # the output following the winding, is no more than the narrowest of them leaves open.
    between = min((float(event.get("between_v", 0.0)) for event in changes), default=0.0)
    rising = direction == "rising"
    motion = Motion(
        rate_v_per_s=rate if rising else -rate,
        latency_max_s=late,
        step_v=step_v,
        between_readings_v=between,
        detector=str(changes[0].get("sensor", "winding sensor")),
    )
    what = f"{TAP_POINT} {tap}, {direction}"
    return tap_point(what, values, scale_of(data, first), motion, rising=rising)


def _crossing_v(event: Event) -> float | None:
    """Output one step beyond the last reading before the change, or where a turn met it.

    A reading from after the change is of the other winding: its raw voltage moves the output by
    as much as the regulator lets through, and so does not show where the change took place.
    """
    if event.get("quiet_v") is None:
        value = event["reading"]["value"]
        return None if value is None else float(value)
    way = 1.0 if event["direction"] == "rising" else -1.0
    return float(event["quiet_v"]) + way * float(event["step_v"])


def _given_up(data: CheckData, tap: int, share: float, passes: int) -> str:
    """Why the turns ended before there were passes enough; empty when they did not."""
    for event in data.events_of(GIVEN_UP):
        if (event["tap"], event["share"]) == (tap, share) and passes < event["wanted"]:
            return f"only {passes} of {event['wanted']} turns counted: {event['reason']}"
    return ""


def _is_chattering(data: CheckData, tap: int, share: float) -> bool:
    return any(e["tap"] == tap and e["share"] == share for e in data.events_of("chatter"))


def _chatter(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Most changes counted while nothing was moved, for each tap point and load."""
    found = []
    events: dict[tuple[int, float], list[Event]] = {}
    for event in data.events_of("dwell") + data.events_of("chatter"):
        events.setdefault((int(event["tap"]), float(event["share"])), []).append(event)
    allowed = profile.limit("tap-chatter")
    limit, source = Limit.at_most(allowed.limit.at(0.0)), allowed.source
    for (tap, share), mine in sorted(events.items()):
        what = f"changes of winding at rest near {TAP_POINT} {tap}"
        at = f"at {share:.0%} of full load"
        chattering = [e for e in mine if e.get("chatter", True)]
        if not chattering and not any(e.get("watched", False) for e in mine):
            why = "nothing fast enough was watched: put a scope channel on the relay coil"
            found.append(judge.not_measured(what, "", why, at=at, source=source))
            continue
        most = max(float(e.get("changes", 2.0)) for e in mine)
        reason = ""
        if chattering:
            worst = chattering[0]
            reason = (
                f"the relay chatters at {float(worst['at_v']):.4g} V; ended after"
                f" {float(worst['seconds']):.2g} s to spare it"
            )
        found.append(judge.count(what, most, limit, source, at=at, reason=reason))
    return found


def _ramps(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Changes of winding while the load rose at a voltage just below each tap point."""
    found = []
    allowed = profile.limit("tap-chatter")
    limit, source = Limit.at_most(allowed.limit.at(0.0)), allowed.source
    for event in data.events_of(RAMP):
        what = f"changes of winding while the load rises just below {TAP_POINT} {event['tap']}"
        if not event["watched"]:
            why = "nothing fast enough was watched: put a scope channel on the relay coil"
            found.append(judge.not_measured(what, "", why, source=source))
            continue
        reason = "" if event["first_a"] is None else (
            f"it begins at {float(event['first_a']):.3g} A; one change would be a tap point that"
            " moves with the load, more are chatter"
        )  # fmt: skip
        found.append(judge.count(what, float(event["changes"]), limit, source, reason=reason))
    return found


def _agreement(data: CheckData, judge: Judge) -> list[Finding]:
    """Coil against inlet power: a coil that moves without a step of power moves no winding."""
    found = []
    for event in data.events_of("sensors-compared"):
        way = 1 if event["direction"] == "rising" else -1
        what = f"inlet power follows the coil at {TAP_POINT} {event['tap']}, {event['direction']}"
        at = f"at {float(event['share']):.0%} of full load"
        source = "common practice: coil and winding must move together"
        if event["power_blind"] and event["power_steps"] == 0:
            continue  # too little load for the power meter; another load tells
        steps = f"{event['power_before_w']:.4g} W to {event['power_after_w']:.4g} W"
        if event["windings"] == 0:
            reason = "the coil did not move"
        elif event["power_steps"] == 0:
            reason = f"the coil moved, the power did not ({steps}): contact or winding"
        else:
            reason = f"the power went the wrong way ({steps}): windings out of order"
        found.append(
            judge.count(
                what, float(way * event["power_steps"]), Limit(1.0, 1.0), source,
                at=at, reason=reason,
            )
        )  # fmt: skip
    return found


def _favourites(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Nearest of the voltages people like to set: not a fault, but it looks like one."""
    found = []
    for tap in sorted({int(event["tap"]) for event in data.events_of("tap-change")}):
        points = [
            (float(e["output_v"]), str(e["direction"]))
            for e in data.events_of("tap-change")
            if e["tap"] == tap
        ]
        inside = [v for v in profile.favourites_v if v <= profile.unit.voltage.high]
        if not inside:
            continue
        distance_v, favourite_v, direction = min(
            (abs(v - favourite), favourite, direction)
            for v, direction in points
            for favourite in inside
        )
        what = f"distance of {TAP_POINT} {tap} from a common set point"
        at = f"{favourite_v:g} V, {direction}"
        finding = judge.count(
            what, round(distance_v, 4), Limit.at_least(0.0), "for information, no limit", at=at
        )
        found.append(_in_volts(finding))
    return found


def _in_volts(finding: Finding) -> Finding:
    from dataclasses import replace

    return replace(finding, unit="V")


def _wear(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    counted: Sequence[Event] = data.events_of("relay-operations")
    what, allowed = "relay operations spent", profile.limit("tap-wear")
    if not counted:
        why = "the tap map was not finished"
        return [judge.not_measured(what, "", why, source=allowed.source)]
    limit = Limit.at_most(allowed.limit.at(0.0))
    reason = "the search was cut short to spare the relay"
    return [judge.count(what, float(counted[0]["count"]), limit, allowed.source, reason=reason)]
