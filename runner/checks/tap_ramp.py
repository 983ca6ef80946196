"""Load ramp just below a tap point: does the winding stay where it is while the load rises?

Some units decide on the raw voltage or on the current as well as on the output; some chatter
only while the load changes.
"""

from __future__ import annotations

from runner.checks.check import Workplace
from runner.checks.points import allowed_load_a, full_load_a
from runner.checks.stepping import load_of, meter_of
from runner.checks.tap_change import CHANGES_MOST
from runner.checks.tap_sensors import WATCH_POLL_S, CoilSensor

__all__ = ["RAMP", "ramp_load"]

RAMP = "load-ramp"
STEPS = 10


def ramp_load(work: Workplace, coils: CoilSensor, tap: int, back_a: float) -> int:
    """Raise the load from nothing to the rated current, the output left where it is.

    Writes how often the coil moved and at which load first; ends when it chatters. The load is
    back at ``back_a`` (A) afterwards. Returns the relay operations spent.
    """
    load = load_of(work)
    top_a = allowed_load_a(load, work.profile.unit.voltage.high, full_load_a(work.profile))
    load.set_current(0.0)
    at_v = meter_of(work).read_volts().value
    watched, changes, first_a = coils.guard(tap), 0, None
    for step in range(1, STEPS + 1):
        load_a = top_a * step / STEPS
        load.set_current(load_a)
        work.clock.sleep(WATCH_POLL_S)
        edges = coils.edges(tap) if watched else 0
        if edges:
            changes += edges
            first_a = load_a if first_a is None else first_a
            coils.guard(tap)
        if changes > CHANGES_MOST:
            break
    coils.release()
    load.set_current(back_a)
    work.log.event(
        RAMP, tap=tap, at_v=at_v, top_a=top_a, changes=changes, first_a=first_a,
        watched=watched, chatter=changes > CHANGES_MOST,
    )  # fmt: skip
    return changes
