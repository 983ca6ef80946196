"""The voltage knob: one steady turn over the range, watched by the meter; which way it goes."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from runner.checks.check import Workplace
from runner.checks.judging import Judge
from runner.checks.stepping import FAST_NPLC, go_to, meter_of, range_for
from runner.finding import Finding
from runner.metrology.limit import Limit
from runner.operator.requests import AskYesNo
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["jumps_back", "knob_findings", "leaps", "turn_the_knob"]

QUANTITY = "knob-voltage"
TURN_S = 20.0
"""How long the turn over the whole range should take."""
ARRIVED = 0.97
PATIENCE = 3.0
LEAP_TIMES = 4.0
USUAL_SHARE = 0.9
"""A leap is so many times larger than the step that this share of all steps keeps below."""
CLOCKWISE = "clockwise"
DIRECTION_SOURCE = "common practice: a knob turned clockwise gives more"
LEAST_READINGS = 50


def turn_the_knob(work: Workplace) -> None:
    """Ask for one steady turn from the bottom to the top; keep every reading.

    Afterwards only the hand can tell which way it turned.
    """
    top_v = work.profile.unit.voltage.high
    meter = meter_of(work)
    go_to(work, work.profile.unit.voltage.low)
    range_for(meter, top_v, FAST_NPLC)
    work.output.sweep(top_v, top_v / TURN_S)
    give_up_s = work.clock.mono_s() + PATIENCE * TURN_S
    while work.clock.mono_s() < give_up_s:
        reading = work.log.reading(meter.read_volts(QUANTITY))
        if reading.value is not None and reading.value >= ARRIVED * top_v:
            break
    said = work.operator.answer(
        AskYesNo("knob-direction", "Did the voltage go up while you turned the knob clockwise?")
    )
    work.log.event(CLOCKWISE, raises=said.done, words=said.words)


def jumps_back(volts: Sequence[float], allowed_v: float) -> int:
    """How often a rising turn fell from one reading to the next by more than ``allowed_v``."""
    return sum(b < a - allowed_v for a, b in pairwise(volts))


def leaps(volts: Sequence[float], allowed_v: float) -> int:
    """How often a rising turn leapt up: by more than ``allowed_v`` beyond its usual steps.

    Usual is ``LEAP_TIMES`` the step that nine in ten steps keep below, so that a hand that
    pauses and hurries does not pass for a bad track.
    """
    steps = sorted(b - a for a, b in pairwise(volts))
    if not steps:
        return 0
    usual_v = max(0.0, steps[int(USUAL_SHARE * (len(steps) - 1))])
    return sum(step > LEAP_TIMES * usual_v + allowed_v for step in steps)


def knob_findings(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Falls and leaps during the rising turn (a dirty or worn track), and its direction."""
    readings = data.of(QUANTITY)
    if not readings:
        return []
    jump = profile.limit("knob-jump")
    what = "falls of the voltage while the knob is turned up"
    source = f"none beyond its limit ({jump.source})"
    volts = [one.value for one in readings if one.value is not None]
    if len(volts) < LEAST_READINGS:
        why = f"only {len(volts)} valid readings during the turn"
        return [judge.not_measured(what, "", why, source=source)]
    allowed_v = jump.limit.at(profile.unit.voltage.high)
    none = Limit.at_most(0.0)
    falls, forward = jumps_back(volts, allowed_v), leaps(volts, allowed_v)
    bad_track = f"of more than {1e3 * allowed_v:.0f} mV: the track is dirty or worn"
    found = [
        judge.count(what, float(falls), none, source, reason=f"falls {bad_track}"),
        judge.count(
            "leaps of the voltage while the knob is turned up", float(forward), none, source,
            reason=f"leaps {bad_track}",
        ),
    ]  # fmt: skip
    for event in data.events_of(CLOCKWISE):
        found.append(
            judge.count(
                "turning clockwise raises the voltage", float(bool(event["raises"])),
                Limit.at_least(1.0), DIRECTION_SOURCE,
                reason="the ends of the potentiometer are exchanged",
            )
        )  # fmt: skip
    return found
