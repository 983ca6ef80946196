"""Setting: does the output obey the set point, and do the panel meters tell the truth?"""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.knob_turn import TURN_S, turn_the_knob
from runner.checks.points import SETTING_POINTS, setting_points_v, tap_count
from runner.checks.setting_findings import NAME, findings
from runner.checks.stepping import EXACT_NPLC, go_to, meter_of, range_for, start
from runner.checks.walk import walk
from runner.finding import Finding
from runner.operator.requests import AskNumber
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK"]

READINGS = 5
SECONDS_A_POINT = 3.2
SECONDS_A_TURN, SECONDS_TYPED = 10.0, 30.0
HAND_PANEL_POINTS = 5
PANEL_SLIP = 0.05
"""A panel reading further off than this share is asked for again (common practice); typed twice
it is believed, because the panel may be that far off."""


class Setting:
    """Set points up and down with the load off; panel voltmeter beside the meter."""

    name = NAME
    title = "Setting and panel voltmeter"
    question = "Does the output voltage agree with the set point and with the panel?"

    def plan(self, conditions: Conditions) -> Plan:
        """Points up and down; each tap point is crossed once each way."""
        profile = conditions.profile
        points = len(_points(conditions.profile, conditions.quick))
        by_hand = profile.unit.setting == "hand"
        ways = 1 if conditions.quick and conditions.bench.by_hand("meter") else 2
        seconds = SECONDS_A_TURN if by_hand else SECONDS_A_POINT
        if conditions.bench.by_hand("meter"):
            seconds = SECONDS_TYPED
        missing = None
        if conditions.bench.by_role("meter") is None:
            missing = "no meter on the bench: join one to the output terminals"
        taps = tap_count(profile)
        return Plan(
            duration_s=ways * points * seconds + (TURN_S if by_hand else 0.0),
            relay_operations=2 * taps,
            hands=("knob", "panel readings") if by_hand else (),
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Rising, then falling."""
        start(work)
        if work.output.by_hand:
            turn_the_knob(work)
        rising = _points(work.profile, work.quick)
        both = [("rising", v) for v in rising]
        if not (work.quick and work.bench.by_hand("meter")):
            both += [("falling", v) for v in reversed(rising)]

        def one(number: int, point: tuple[str, float]) -> None:
            work.log.progress(number / len(both), f"{point[1]:g} V, {point[0]}")
            _measure_point(work, *point)

        walk(work, both, lambda point: f"{point[1]:g} V, {point[0]}", one)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.setting_findings`."""
        return findings(data, profile)


def _points(profile: Profile, quick: bool) -> list[float]:
    points = setting_points_v(profile)
    if not quick:
        return points
    return points[:: -max(1, len(points) // 4)][::-1]  # the highest is always among them


def _measure_point(work: Workplace, direction: str, asked_v: float) -> None:
    set_v = go_to(work, asked_v)
    range_for(meter_of(work), set_v, EXACT_NPLC)
    at: dict[str, float | str] = {"set_v": set_v, "asked_v": asked_v, "direction": direction}
    work.log.readings(meter_of(work).read_volts_many(READINGS), **at)
    shown = _panel(work, asked_v, set_v, direction)
    if shown is not None:
        work.log.reading(shown, **at)


def _panel(work: Workplace, asked_v: float, measured_v: float, direction: str) -> Reading | None:
    """What the unit shows: asked by remote command, or typed in at a few rising points."""
    if work.instruments.supply is not None and not work.output.by_hand:
        return work.instruments.supply.panel_volts()
    rising = setting_points_v(work.profile)
    every = max(1, SETTING_POINTS // (HAND_PANEL_POINTS - 1))
    if direction != "rising" or rising.index(asked_v) % every:
        return None
    top_v = work.profile.unit.voltage.high
    request = AskNumber(
        "panel-voltage",
        "What does the unit's own voltmeter show?",
        unit="V",
        low=-top_v,
        high=2 * top_v,
        expect=measured_v,
        slip=PANEL_SLIP * max(measured_v, top_v / 10),
    )
    answer = work.operator.answer(request)
    missing = None if answer.value is not None else "the panel was not read"
    return Reading(
        "panel-voltage", answer.value, "V", "unit", "panel-volts",
        raw=answer.words, t_mono_s=work.clock.mono_s(), reason=missing,
    )  # fmt: skip


CHECK = Setting()
