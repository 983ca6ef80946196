"""Switching: overshoot and reverse swing when output or mains are switched on and off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.line_steps import switch_mains
from runner.checks.output_trace import OutputTrace, missing_output_scope, output_trace
from runner.checks.points import allowed_load_a, full_load_a, tap_count
from runner.checks.stepping import go_to, load_of, start
from runner.checks.switching_findings import NAME, findings
from runner.finding import Finding
from runner.profile import Profile
from runner.record.reader import CheckData

__all__ = ["CHECK"]

LOW_V = 5.0
OUTPUT_RUNS = 2
MAINS_RUNS = 1
OUTPUT_S, MAINS_S = 1.5, 3.0
"""Rest after each switching, so that the next begins from a steady state."""
RECORD_S = 0.5
MAINS_RECORD_S = 1.0
PATIENCE_S = 4.0
LIMITS_IN_SPAN = 8.0
QUICK_SHARE = 0.42
"""Of the full check's time: one voltage and one run of each."""
BOTTOM_SPAN_V = 4.0
BOTTOM_LEVEL_V = 0.8


@dataclass(frozen=True, slots=True)
class View:
    """Which part of the trace is looked at: just about the set voltage, or just about zero."""

    name: str
    span_v: float
    offset_v: float
    level_v: float
    slope: Literal["rising", "falling"]


class Switching:
    """Output and mains, on and off, without load and with full load."""

    name = NAME
    title = "Switching on and off"
    question = "Does the output overshoot, or go negative, when it or the mains is switched?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs meter, load, a scope channel on the output; hands where mains cannot be set."""
        bench, profile = conditions.bench, conditions.profile
        missing = missing_output_scope(conditions)
        if bench.by_role("load") is None or bench.by_role("meter") is None:
            missing = "switching needs a meter and a load on the output"
        taps = tap_count(profile)
        hands = () if bench.by_role("mains-source") is not None else ("mains switch",)
        if profile.unit.setting == "hand":
            hands = (*hands, "knob", "output switch")
        return Plan(
            duration_s=(195.0 if profile.unit.setting == "hand" else 115.0)
            * (QUICK_SHARE if conditions.quick else 1.0),
            relay_operations=2 * taps * 2 * 3 * (OUTPUT_RUNS + MAINS_RUNS),
            hands=hands,
            dissipation_w=profile.unit.voltage.high * profile.unit.current.high,
            missing=missing,
        )

    def measure(self, work: Workplace) -> None:
        """Output at a low and the rated voltage; mains at the rated voltage only."""
        start(work)
        trace, load = output_trace(work), load_of(work)
        top_v = work.profile.unit.voltage.high
        voltages = [top_v] if work.quick else [min(LOW_V, top_v / 2), top_v]
        for number, asked_v in enumerate(voltages):
            set_v = go_to(work, asked_v)
            full_a = allowed_load_a(load, set_v, full_load_a(work.profile))
            for load_a in (0.0, full_a):
                work.log.progress(number / len(voltages), f"{set_v:g} V, {load_a:.3g} A")
                load.set_current(load_a)
                load.input(load_a > 0)
                try:
                    for run in range(1, 1 + (1 if work.quick else OUTPUT_RUNS)):
                        _switch(work, trace, "output", set_v, load_a, run)
                    if asked_v == top_v:
                        _switch(work, trace, "mains", set_v, load_a, 1)
                finally:
                    load.input(False)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.switching_findings`."""
        return findings(data, profile)


def _views(work: Workplace, set_v: float) -> tuple[View, View, View]:
    """Off seen at the top, off seen at the bottom, on seen at the top."""
    limit_v = work.profile.limit("switching-overshoot").limit.at(set_v)
    span_v = LIMITS_IN_SPAN * limit_v
    return (
        View("top", span_v, set_v, set_v - limit_v, "falling"),
        View("bottom", BOTTOM_SPAN_V, 0.0, min(BOTTOM_LEVEL_V, set_v / 2), "falling"),
        View("top", span_v, set_v, set_v - limit_v, "rising"),
    )


def _switch(
    work: Workplace, trace: OutputTrace, what: str, set_v: float, load_a: float, run: int
) -> None:
    """Off, on, off, on: one view each of the two ways off, and one of the way on."""
    top_off, bottom_off, top_on = _views(work, set_v)
    for on, view in ((False, top_off), (True, top_on), (False, bottom_off), (True, None)):
        if view is not None:
            duration_s = MAINS_RECORD_S if what == "mains" else RECORD_S
            trace.arm(
                span_v=view.span_v, offset_v=view.offset_v, duration_s=duration_s,
                level_v=view.level_v, slope=view.slope, pre_fraction=0.2,
            )  # fmt: skip
        _throw(work, what, on)
        if view is not None:
            _keep(work, trace, view, what, on, set_v, load_a, run)
        work.clock.sleep(MAINS_S if what == "mains" else OUTPUT_S)


def _throw(work: Workplace, what: str, on: bool) -> None:
    if what == "output":
        work.output.on(on)
    else:
        switch_mains(work, on=on)


def _keep(
    work: Workplace, trace: OutputTrace, view: View, what: str, on: bool, set_v: float,
    load_a: float, run: int,
) -> None:  # fmt: skip
    event = f"{what} {'on' if on else 'off'}"
    at: dict[str, float | str] = {
        "event": event, "view": view.name, "set_v": set_v, "load_a": load_a, "run": run,
    }  # fmt: skip
    capture = trace.record(work, PATIENCE_S)
    if capture is None:
        work.log.event("no-trigger", **at)
        return
    name = f"{event.replace(' ', '-')}-{view.name}-{set_v:.3f}V-{load_a:.2f}A-{run}"
    work.log.waveform(name, capture, **at)


CHECK = Switching()
