"""Smoothness of the voltage knob: one steady turn over the range, watched by the meter."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from runner.checks.check import Workplace
from runner.checks.judging import Judge
from runner.checks.stepping import FAST_NPLC, go_to, meter_of, range_for
from runner.finding import Finding
from runner.metrology.limit import Limit
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["jumps_back", "smoothness", "turn_the_knob"]

QUANTITY = "knob-voltage"
TURN_S = 20.0
"""How long the turn over the whole range should take."""
ARRIVED = 0.97
PATIENCE = 3.0
BACK_V, BACK_SHARE = 0.06, 0.003
"""A fall by more than this (the larger of V and share of the range) is a jump: no hand trembles
that far."""
LEAST_READINGS = 50


def turn_the_knob(work: Workplace) -> None:
    """Ask for one steady turn from the bottom to the top; keep every reading."""
    top_v = work.profile.unit.voltage.high
    meter = meter_of(work)
    go_to(work, work.profile.unit.voltage.low)
    range_for(meter, top_v, FAST_NPLC)
    work.output.sweep(top_v, top_v / TURN_S)
    give_up_s = work.clock.mono_s() + PATIENCE * TURN_S
    while work.clock.mono_s() < give_up_s:
        reading = work.log.reading(meter.read_volts(QUANTITY))
        if reading.value is not None and reading.value >= ARRIVED * top_v:
            return


def jumps_back(volts: Sequence[float], allowed_v: float) -> int:
    """How often a rising turn fell from one reading to the next by more than ``allowed_v``."""
    return sum(b < a - allowed_v for a, b in pairwise(volts))


def smoothness(data: CheckData, profile: Profile, judge: Judge) -> list[Finding]:
    """Falls during the rising turn: a dirty or worn track."""
    readings = data.of(QUANTITY)
    if not readings:
        return []
    what, source = "falls of the voltage while the knob is turned up", "proposed default: none"
    volts = [one.value for one in readings if one.value is not None]
    if len(volts) < LEAST_READINGS:
        why = f"only {len(volts)} valid readings during the turn"
        return [judge.not_measured(what, "", why, source=source)]
    allowed_v = max(BACK_V, BACK_SHARE * profile.unit.voltage.high)
    count = jumps_back(volts, allowed_v)
    reason = f"falls of more than {1e3 * allowed_v:.0f} mV: the track is dirty or worn"
    return [judge.count(what, float(count), Limit.at_most(0.0), source, reason=reason)]
