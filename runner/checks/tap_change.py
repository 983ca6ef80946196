"""A closer look at one tap point: the change on the scope, and whether it holds still nearby."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from runner.checks.check import Workplace
from runner.checks.points import tap_count
from runner.checks.tap_probe import TapProbe
from runner.checks.tap_search import Edge, Pair
from runner.checks.tap_sensors import (
    COIL_SPAN_V,
    EDGE_V,
    CoilSensor,
    channel_of,
    coil_channels,
    fetched,
)
from runner.errors import BenchError
from runner.instruments.roles import ChannelSetup, TimebaseSetup, Trigger

__all__ = ["CHANGES_MOST", "DWELL_S", "dwell_around", "record_change", "shoot"]

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


def record_change(work: Workplace, probe: TapProbe, tap: int, share: float, pair: Pair) -> None:
    """Step across the tap point each way once: waveforms, and whether all sensors agree."""
    for direction, edge in (("rising", pair.rising), ("falling", pair.falling)):
        if edge is None:
            return
        way = 1 if direction == "rising" else -1
        before_v, after_v = edge.changed_v - way * BESIDE_V, edge.changed_v + way * BESIDE_V
        before = probe.move(before_v)
        power_before = probe.power.settle() if probe.power is not None else None
        if probe.coils is not None:
            move = partial(work.output.set_voltage, after_v)
            shoot(
                work, probe.coils, after_v, move, WAIT_S, tap=tap, share=share, direction=direction
            )
        after = probe.move(after_v)
        if probe.power is None or power_before is None or probe.coils is None:
            continue
        power_after = probe.power.settle()
        work.log.event(
            "sensors-compared",
            tap=tap,
            share=share,
            direction=direction,
            windings=after.winding - before.winding,
            power_before_w=power_before,
            power_after_w=power_after,
            power_steps=probe.power.jump(power_before, power_after),
            power_blind=probe.power.blind(power_before),
        )


def shoot(
    work: Workplace,
    coils: CoilSensor,
    to_v: float,
    move: Callable[[], object],
    patience_s: float,
    *,
    tap: int,
    share: float,
    direction: str,
) -> None:
    """Arm on the coil, let the output move, and keep output and coil."""
    scope = work.instruments.scope
    coil = coil_channels(work.bench, tap_count(work.profile)).get(tap)
    output = channel_of(work.bench, "unit.plus")
    if scope is None or coil is None:
        return
    channels = [ChannelSetup(coil, COIL_SPAN_V, COIL_SPAN_V / 4)]
    if output is not None:
        channels.append(ChannelSetup(output, GLITCH_SPAN_V, to_v))
    points = min(scope.max_points, GLITCH_POINTS)
    scope.setup(
        channels,
        TimebaseSetup(GLITCH_S, points, PRE_FRACTION),
        Trigger(coil, "either", EDGE_V),
    )
    coils.forget()
    scope.arm()
    move()
    work.clock.sleep(GLITCH_S)
    captures = fetched(scope, work.clock, patience_s)
    if not captures:
        work.log.event("change-not-recorded", tap=tap, share=share, direction=direction)
    for channel, capture in captures.items():
        what = "coil" if channel == coil else "output"
        name = f"change-{tap}-{direction}-{round(100 * share)}-{what}"
        work.log.waveform(
            name, capture, tap=tap, share=share, direction=direction, set_v=to_v, shows=what
        )


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
