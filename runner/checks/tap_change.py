"""A closer look at one tap point: the change on the scope, and whether it holds still nearby."""

from __future__ import annotations

from collections.abc import Mapping

from runner.checks.check import Workplace
from runner.checks.points import tap_count
from runner.checks.tap_probe import TapProbe
from runner.checks.tap_search import Edge, Pair
from runner.checks.tap_sensors import (
    COIL_SPAN_V,
    EDGE_V,
    CoilSensor,
    LevelSensor,
    channel_of,
    coil_channels,
    fetched,
)
from runner.errors import BenchError
from runner.instruments.roles import Capture, ChannelSetup, TimebaseSetup, Trigger

__all__ = [
    "BESIDE_V",
    "CHANGES_MOST",
    "DWELL_S",
    "arm_on_change",
    "compare_sensors",
    "dwell_around",
    "keep_change",
    "record_change",
]

BESIDE_V = 0.010
"""Distance of dwell points and of recorded changes from the tap point (common practice)."""
DWELL_S = 10.0
CHANGES_MOST = 1
"""More changes while nothing is moved are chatter (common practice)."""
GLITCH_SPAN_V = 0.4
GLITCH_S = 0.2
GLITCH_POINTS = 20_000
PRE_FRACTION = 0.3
WAIT_S = 3.0


def record_change(
    work: Workplace, probe: TapProbe, tap: int, share: float, pair: Pair, times: int
) -> None:
    """Step across the tap point ``times`` each way: waveforms; the first time, whether all
    sensors agree.
    """
    for run in range(1, times + 1):
        for direction, edge in (("rising", pair.rising), ("falling", pair.falling)):
            if edge is None:
                return
            _step_across(work, probe, tap, share, direction, edge, run)


def _step_across(
    work: Workplace, probe: TapProbe, tap: int, share: float, direction: str, edge: Edge, run: int
) -> None:
    way = 1 if direction == "rising" else -1
    before_v, after_v = edge.changed_v - way * BESIDE_V, edge.changed_v + way * BESIDE_V
    before = probe.move(before_v)
    compared = probe.power if run == 1 and probe.coils is not None else None
    power_before = compared.settle() if compared is not None else None
    if probe.coils is not None:
        _shoot(work, probe.coils, after_v, tap, share, direction, run)
    after = probe.move(after_v)
    if compared is not None:
        compare_sensors(
            work, compared, power_before, after.winding - before.winding,
            tap=tap, share=share, direction=direction,
        )  # fmt: skip


def compare_sensors(
    work: Workplace, power: LevelSensor, before_w: float | None, windings: int,
    **where: float | str,
) -> None:  # fmt: skip
    """Wait for the inlet power after a change, and write it beside what the coil said."""
    after_w = power.settle()
    if before_w is None or after_w is None:
        return
    work.log.event(
        "sensors-compared",
        windings=windings,
        power_before_w=before_w,
        power_after_w=after_w,
        power_steps=power.jump(before_w, after_w),
        power_blind=power.blind(before_w),
        **where,
    )


def arm_on_change(work: Workplace, coils: CoilSensor, coil: int, about_v: float) -> float | None:
    """Arm the scope on this coil, with the output about ``about_v`` beside it.

    Returns how long after the change the record is complete, s; None when nothing looks at the
    coil.
    """
    scope = work.instruments.scope
    channel = coil_channels(work.bench, tap_count(work.profile)).get(coil)
    output = channel_of(work.bench, "unit.plus")
    if scope is None or channel is None:
        return None
    channels = [ChannelSetup(channel, COIL_SPAN_V, COIL_SPAN_V / 4)]
    if output is not None:
        channels.append(ChannelSetup(output, GLITCH_SPAN_V, about_v))
    points = min(scope.max_points, GLITCH_POINTS)
    scope.setup(
        channels,
        TimebaseSetup(GLITCH_S, points, PRE_FRACTION),
        Trigger(channel, "either", EDGE_V),
    )
    coils.forget()
    scope.arm()
    return GLITCH_S * (1 - PRE_FRACTION)


def keep_change(
    work: Workplace, captures: Mapping[str, Capture], tap: int, share: float, direction: str,
    **more: float | str,
) -> None:  # fmt: skip
    """Write down what the scope saw of one change, or that it saw nothing."""
    if not captures:
        work.log.event("change-not-recorded", tap=tap, share=share, direction=direction, **more)
    coil = coil_channels(work.bench, tap_count(work.profile)).get(tap)
    for channel, capture in captures.items():
        what = "coil" if channel == coil else "output"
        name = f"change-{tap}-{direction}-{round(100 * share)}-{what}"
        work.log.waveform(
            name, capture, tap=tap, share=share, direction=direction, shows=what, **more
        )


def _shoot(
    work: Workplace, coils: CoilSensor, to_v: float, tap: int, share: float, direction: str,
    run: int,
) -> None:  # fmt: skip
    """Arm on the coil, let the output step, and keep output and coil."""
    if arm_on_change(work, coils, tap, to_v) is None or work.instruments.scope is None:
        return
    work.output.set_voltage(to_v)
    work.clock.sleep(GLITCH_S)
    captures = fetched(work.instruments.scope, work.clock, WAIT_S)
    keep_change(work, captures, tap, share, direction, set_v=to_v, run=run)


def dwell_around(
    work: Workplace, probe: TapProbe, tap: int, share: float, pair: Pair, home_v: float
) -> bool:
    """Hold still a little below, at and above both points; False when the winding chatters.

    Chatter ends the test within two seconds.
    """
    if pair.rising is None or pair.falling is None:
        raise BenchError("a tap point that was not found cannot be dwelt at")
    probe.move(home_v)
    for direction, edge in (("rising", pair.rising), ("falling", pair.falling)):
        way = 1 if direction == "rising" else -1
        for offset_v in (-way * BESIDE_V, 0.0, way * BESIDE_V):
            if _dwell(work, probe, tap, share, direction, edge, offset_v):
                probe.move(home_v)
                return False
    return True


def _dwell(
    work: Workplace, probe: TapProbe, tap: int, share: float, direction: str, edge: Edge,
    offset_v: float,
) -> bool:  # fmt: skip
    """Hold at one point; True when the winding chatters there."""
    seen = probe.move(round(edge.changed_v + offset_v, 9))
    begun_s = work.clock.mono_s()
    counted = None if seen.chatter else probe.watch(tap, DWELL_S, CHANGES_MOST)
    changes = max(seen.changes, counted or 0)
    chatter = seen.chatter or changes > CHANGES_MOST
    work.log.event(
        "dwell",
        tap=tap,
        share=share,
        direction=direction,
        at_v=seen.volts,
        offset_v=offset_v,
        seconds=work.clock.mono_s() - begun_s,
        changes=changes,
        chatter=chatter,
        watched=counted is not None or seen.chatter,
    )
    return chatter
