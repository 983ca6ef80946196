"""One scope channel on the output, looked at closely around one voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.tap_sensors import channel_of
from runner.errors import BenchError
from runner.instruments.roles import Capture, ChannelSetup, Scope, TimebaseSetup, Trigger

__all__ = ["OutputTrace", "missing_output_scope", "output_trace", "pulse_plan"]

POINTS = 20_000


def missing_output_scope(conditions: Conditions) -> str | None:
    """Why the output cannot be seen on a scope here, None when it can."""
    if channel_of(conditions.bench, "unit.plus") is None:
        return "no scope channel on the output: join one with a 1:1 lead or coax"
    if conditions.bench.by_hand("scope"):
        return "a scope read by hand cannot be armed for one moment: give it a cable"
    return None


def pulse_plan(
    conditions: Conditions, question: str, *, duration_s: float, by_hand_s: float
) -> Plan:
    """Plan of a check that pulses the load and looks at the output; ``question`` names it.

    It takes ``by_hand_s`` where the voltage is turned to by a knob.
    """
    bench, unit = conditions.bench, conditions.profile.unit
    missing = missing_output_scope(conditions)
    if bench.by_role("load") is None or bench.by_role("meter") is None:
        missing = f"{question} needs a load that can pulse, and a meter"
    elif bench.by_hand("load"):
        missing = f"{question} needs a load that can pulse: nobody switches a resistor so fast"
    return Plan(
        duration_s=by_hand_s if unit.setting == "hand" else duration_s,
        hands=("knob",) if unit.setting == "hand" else (),
        dissipation_w=unit.voltage.high * unit.current.high,
        missing=missing,
    )


@dataclass(slots=True)
class OutputTrace:
    """The channel, and how it is set up again and again."""

    scope: Scope
    channel: str

    def arm(
        self,
        *,
        span_v: float,
        offset_v: float,
        duration_s: float,
        level_v: float,
        slope: Literal["rising", "falling", "either"],
        coupling: Literal["dc", "ac"] = "dc",
        pre_fraction: float = 0.1,
    ) -> None:
        """Set up with 20 MHz limit and arm for one record."""
        self.scope.setup(
            [ChannelSetup(self.channel, span_v, offset_v, coupling)],
            TimebaseSetup(duration_s, min(POINTS, self.scope.max_points), pre_fraction),
            Trigger(self.channel, slope, level_v),
        )
        self.scope.arm()

    def again(self) -> None:
        """Arm once more with the same setup."""
        self.scope.arm()

    def record(self, work: Workplace, patience_s: float) -> Capture | None:
        """Return the record, None when no trigger came in time."""
        give_up_s = work.clock.mono_s() + patience_s
        while not self.scope.triggered():
            if work.clock.mono_s() > give_up_s:
                self.scope.stop()
                return None
            work.clock.sleep(patience_s / 20)
        return self.scope.fetch().get(self.channel)


def output_trace(work: Workplace) -> OutputTrace:
    """Return the channel on the output.

    :raises BenchError: there is none
    """
    channel = channel_of(work.bench, "unit.plus")
    if work.instruments.scope is None or channel is None:
        raise BenchError("this check needs a scope channel on the output")
    return OutputTrace(work.instruments.scope, channel)
