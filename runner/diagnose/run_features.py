"""Features that lie in the readings: the first volts, inlet power, warm-up, an early end."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from runner.diagnose.feature import Feature
from runner.diagnose.levels import step
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData, Record

__all__ = ["run_features"]

IDLE_W, IDLE_SHARE = 5.0, 0.03
"""What a linear unit takes at light load: electronics and relay, and the iron of a transformer for
its rating (common practice; simulated units lie within 15 %)."""
EARTH_TEST_V = 20.0
"""Highest voltage that is set while the terminals are measured against earth."""


def run_features(record: Record, profile: Profile) -> dict[str, Feature]:
    """Return what the journal shows beside the findings."""
    taps = record.check("tap-map")
    found: dict[str, Feature | None] = {
        "zero": _zero(record.check("setting"), profile),
        "early": _early(record, profile),
        "warming": _warming(record.check("drift")),
        **_refused(record),
        **_power(taps, profile),
    }
    return {name: one for name, one in found.items() if one is not None}


def _values(readings: Sequence[Reading]) -> list[float]:
    return [r.value for r in readings if r.value is not None]


def _zero(setting: CheckData, profile: Profile) -> Feature | None:
    """What is left at the output when it is set to its lowest voltage."""
    low_v, top_v = profile.unit.voltage.low, profile.unit.voltage.high
    values = _values([r for r in setting.of("output-voltage") if r.at.get("asked_v") == low_v])
    if not values:
        return None
    volts = min(values, key=abs)
    allowed_v = max(profile.limit("setting").limit.at(low_v), 0.002 * top_v)
    state = step(abs(volts - low_v) / top_v, (allowed_v / top_v, "ok"), (0.1, "slight"),
                 (0.6, "lifted"), (1.0, "far lifted"), above="raw")  # fmt: skip
    return Feature(state, f"{volts:.3g} V at the lowest setting", volts)


def _early(record: Record, profile: Profile) -> Feature | None:
    """The output before anything else was done with it: nothing on it but a meter.

    Above what the unit is rated for, it is told in parts of that: the raw voltage of a reservoir
    at no load is 1.5 to 1.7 times the rated one in units with winding relays (simulated runs).
    """
    top_v = profile.unit.voltage.high
    wanted_v = min(EARTH_TEST_V, top_v)
    values = sorted(_values(record.check("earth-reference").of("output-voltage")))
    rest_v = values[len(values) // 2] if values else _came_to_rest(record)
    if rest_v is None:
        return None
    state = step(rest_v / wanted_v, (0.1, "gone"), (0.85, "low"), (0.97, "slightly low"),
                 (1.03, "ok"), above="high")  # fmt: skip
    state = step(rest_v / top_v, (1.03, state), (1.1, "above rated"), (1.48, "far above rated"),
                 above="raw")  # fmt: skip
    return Feature(state, f"{rest_v:.3g} V at no load where {wanted_v:g} V were set", rest_v)


def _came_to_rest(record: Record) -> float | None:
    """Where the output stayed when the very first setting by hand had no effect."""
    for line in record.of_kind("unit-refuses"):
        rest = re.search(r"came to rest at (-?[\d.]+) V", str(line["reason"]))
        if rest and line["check"] == "earth-reference":
            return float(rest[1])
    return None


def _warming(drift: CheckData) -> Feature | None:
    """How the output moved while the unit warmed up under load, in ppm."""
    values = _values(drift.of("output-voltage"))
    if len(values) < 3 or not values[0]:
        return None
    ppm = 1e6 * (values[-1] - values[0]) / values[0]
    state = step(abs(ppm), (500.0, "ok"), (3000.0, "some"), (2e4, "much"), above="far")
    return Feature(state, f"{ppm:+.3g} ppm from cold to warm", ppm)


def _refused(record: Record) -> dict[str, Feature]:
    """Where the unit did not do what it was told: an output that goes off, a knob without effect.

    Which of the two it is depends on how the unit is set more than on what is wrong with it.
    """
    refusals = list(record.of_kind("unit-refuses"))
    if not refusals:
        calm = Feature("no", "the unit did what it was told")
        return {"refused": calm, "disobeys": calm}
    check, reason = (str(refusals[0][key]) for key in ("check", "reason"))
    early = check in {"before-power", "earth-reference", "setting"}
    says = f"in {check}: {reason}"
    return {
        "refused": Feature(f"in {check}", says),
        "disobeys": Feature("early" if early else "later", says),
    }


def _power(taps: CheckData, profile: Profile) -> dict[str, Feature | None]:
    """Inlet power at the first tap point, with hardly any load and with the most; at the last."""
    rising = [e for e in taps.events_of("sensors-compared") if e.get("direction") == "rising"]
    first = [e for e in rising if e.get("tap") == 1]
    last = [e for e in rising if int(e.get("tap", 1)) > 1]
    changes = taps.events_of("tap-change")
    if not first or not changes:
        return {}
    tap_v = float(changes[0].get("output_v") or 0.0)
    rated_w = profile.unit.voltage.high * profile.unit.current.high
    rated_a = profile.unit.current.high
    return {
        "idle_power": _idle(min(first, key=lambda e: float(e["share"])), tap_v, rated_a, rated_w),
        "tap_power": _tap_power(max(first, key=lambda e: float(e["share"])), tap_v, rated_a),
        "power_step": _power_step(max(first, key=lambda e: float(e["share"]))),
        "power_last": _power_step(max(last, key=lambda e: (e["tap"], e["share"])))
        if last
        else None,
    }


def _watts(event: dict[str, Any]) -> tuple[float, float] | None:
    before, after = event.get("power_before_w"), event.get("power_after_w")
    if before is None or after is None or before <= 0.0 or after <= 0.0:
        return None
    return float(before), float(after)


def _idle(event: dict[str, Any], tap_v: float, rated_a: float, rated_w: float) -> Feature | None:
    if (watts := _watts(event)) is None or float(event["share"]) > 0.2:
        return None
    lost_w = watts[0] - tap_v * float(event["share"]) * rated_a
    usual_w = IDLE_W + IDLE_SHARE * rated_w
    state = step(lost_w / usual_w, (0.8, "small"), (1.2, "ok"), (1.6, "more"), (3.0, "high"),
                 above="very high")  # fmt: skip
    told = f"{lost_w:.3g} W go in that do not come out, at light load ({usual_w:.2g} W are usual)"
    return Feature(state, told, lost_w)


def _tap_power(event: dict[str, Any], tap_v: float, rated_a: float) -> Feature | None:
    out_w = tap_v * float(event["share"]) * rated_a
    if (watts := _watts(event)) is None or out_w <= 0.0:
        return None
    ratio = watts[0] / out_w
    state = step(ratio, (1.3, "small"), (2.6, "ok"), (3.0, "more"), (4.0, "high"),
                 above="very high")  # fmt: skip
    return Feature(state, f"{watts[0]:.3g} W go in for {out_w:.3g} W below the tap point", ratio)


def _power_step(event: dict[str, Any]) -> Feature | None:
    if (watts := _watts(event)) is None:
        return None
    ratio = watts[1] / watts[0]
    state = step(ratio, (0.6, "falls far"), (0.95, "falls"), (1.05, "no step"), (1.3, "small"),
                 above="ok")  # fmt: skip
    told = f"{watts[0]:.3g} W to {watts[1]:.3g} W go in at tap point {event['tap']}"
    return Feature(state, told, ratio)
