"""Headroom: just below each tap point and at maximum, full load, does low line break through?"""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.headroom_findings import NAME, findings, regulation_lost
from runner.checks.line_steps import LOW_SHARE, inlet_volts, line_at, missing_line, nominal_line
from runner.checks.points import (
    OutputPoint,
    allowed_load_a,
    full_load_a,
    tap_bands,
    tap_count,
    winding_points,
)
from runner.checks.ripple import ripple_scope
from runner.checks.ripple_capture import RippleScope, ripple_readings
from runner.checks.stepping import at_rest, go_to, load_of, loaded, meter_of, mode_of, start
from runner.checks.tap_sensors import channel_of
from runner.checks.walk import walk
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["CHECK", "headroom_points"]

BELOW_V = 0.02
"""Distance below a measured tap point (common practice); 50 mV below an expected one."""
RECORDS = 3
READINGS = 3
STEP_SHARE = 0.01
FINEST_SHARE = 0.0025
LOWEST_SHARE = 0.80
STEADY_V = 20e-3
LONG_S, SHORT_S, SOONEST_S, TURN_S = 45.0, 23.0, 16.0, 6.0
"""A point: a switch-mode unit holds down to the lowest line, a linear one gives up before, one
behind a phase-controlled rectifier first."""


class Headroom:
    """Ripple and sag at low line, then the line at which regulation is lost."""

    name = NAME
    title = "Headroom at low line"
    question = "Just below each tap point and at maximum, does low line break through?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs meter, load, a scope channel on the output and a settable mains source."""
        unit, bench = conditions.profile.unit, conditions.bench
        missing = missing_line(conditions)
        if bench.by_role("meter") is None or bench.by_role("load") is None:
            missing = "headroom needs a meter and a load on the output"
        elif bench.by_hand("scope"):
            missing = "line steps with a scope read by hand would take hours: give it a cable"
        elif channel_of(bench, "unit.plus") is None:
            missing = (
                "no scope channel on the output, and a meter alone does not see dropout:"
                " join one with a 1:1 lead or coax"
            )
        taps = tap_count(conditions.profile)
        seconds = SOONEST_S if unit.tap_control == "phase" else SHORT_S
        seconds = LONG_S if unit.kind == "switch-mode" else seconds
        seconds += TURN_S if unit.setting == "hand" else 0.0
        return Plan(
            duration_s=seconds * (taps + 1),
            relay_operations=2 * taps,
            hands=("knob",) if unit.setting == "hand" else (),
            dissipation_w=unit.voltage.high * unit.current.high,
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Points rising, so that each is held by the lower winding."""
        start(work)
        scope = ripple_scope(work)
        points = headroom_points(work)

        def one(number: int, point: OutputPoint) -> None:
            work.log.progress(number / len(points), point.name)
            set_v = go_to(work, point.volts)
            load_a = allowed_load_a(load_of(work), set_v, full_load_a(work.profile))
            with nominal_line(work), loaded(load_of(work), load_a):
                _lower(work, scope, point.name, set_v, load_a)

        walk(work, points, lambda point: point.name, one)
        _keep_floor(work)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.headroom_findings`."""
        return findings(data, profile)


def _keep_floor(work: Workplace) -> None:
    """Write again what the ripple check found of the bench's own noise, where it was done.

    Same scope, leads and acquisition; the budget of the ripple at low line rests on it.
    """
    floor = work.written("ripple").of("floor-pp", acquire="normal") if work.written else []
    for reading in floor:
        work.log.reading(reading)


def headroom_points(work: Workplace) -> list[OutputPoint]:
    """Highest voltage on each winding, rising."""
    measured = any(band.measured for band in tap_bands(work.profile, work.earlier))
    margin_v = BELOW_V if measured else 0.05
    points = winding_points(work.profile, work.earlier, margin_v=margin_v)
    return [p for p in points if p.name.startswith(("below", "maximum"))]


def _lower(work: Workplace, scope: RippleScope, name: str, set_v: float, load_a: float) -> None:
    """Nominal, the test limit, then further down until regulation is lost."""
    normal = _look(work, scope, name, set_v, load_a, 1.0)
    held, share = 1.0, LOW_SHARE
    while share > LOWEST_SHARE - 1e-9:
        seen = _look(work, scope, name, set_v, load_a, share)
        if normal is None or seen is None:
            return
        if regulation_lost(normal, seen):
            _halve(work, scope, name, set_v, load_a, normal, held, share)
            return
        held, share = share, round(share - STEP_SHARE, 6)


def _halve(
    work: Workplace, scope: RippleScope, name: str, set_v: float, load_a: float,
    normal: tuple[float, float], held: float, lost: float,
) -> None:  # fmt: skip
    """Halve in on the line voltage between the last that held and the first that did not."""
    while held - lost > FINEST_SHARE + 1e-9:
        middle = round((held + lost) / 2, 6)
        seen = _look(work, scope, name, set_v, load_a, middle)
        if seen is None:
            return
        held, lost = (held, middle) if regulation_lost(normal, seen) else (middle, lost)


def _look(
    work: Workplace, scope: RippleScope, name: str, set_v: float, load_a: float, share: float
) -> tuple[float, float] | None:
    """Look once, and once more where nothing valid was read; see :func:`_look_once`."""
    for _ in range(2):
        seen = _look_once(work, scope, name, set_v, load_a, share)
        if seen is not None:
            break
    return seen


def _look_once(
    work: Workplace, scope: RippleScope, name: str, set_v: float, load_a: float, share: float
) -> tuple[float, float] | None:
    """Output (V) and largest p-p (V) at this share of nominal line; None when one is invalid."""
    at: dict[str, float | str] = {
        "point": name, "set_v": set_v, "load_a": load_a, "line_share": share,
    }  # fmt: skip
    line_at(work, share)
    if not at_rest(work, STEADY_V):
        work.log.event("restless", **at)
    volts = work.log.readings(meter_of(work).read_volts_many(READINGS), **at)
    inlet = inlet_volts(work)
    if inlet is not None:
        work.log.reading(inlet, **at)
    scope.settle()
    largest: list[float] = []
    for number, capture in enumerate(scope.records(RECORDS, "normal")):
        for reading in ripple_readings(work, capture):
            work.log.reading(reading, **at)
            if reading.quantity == "ripple-pp" and reading.value is not None:
                largest.append(reading.value)
        if number == 0 and share in (1.0, LOW_SHARE):
            work.log.waveform(f"{set_v:.3f}V-line-{round(100 * share)}", capture, **at)
    values = [r.value for r in volts if r.value is not None]
    work.log.event("mode", mode=mode_of(work, set_v, values[-1] if values else None), **at)
    return (sum(values) / len(values), max(largest)) if values and largest else None


CHECK = Headroom()
