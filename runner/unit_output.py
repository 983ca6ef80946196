"""Drives the unit's output: by remote command, or by asking the person who has the knob."""

from __future__ import annotations

from runner.checks.check import UnitOutput
from runner.clock import Clock
from runner.errors import BenchError, InstrumentError, UnitTripError
from runner.instruments.roles import BenchInstruments, Meter, Supply
from runner.operator.requests import Operator, SwitchUnit, TurnKnob
from runner.profile import Profile
from runner.signals.settling import Hold, StableHold

__all__ = ["HandOutput", "RemoteOutput", "unit_output", "wait_still"]

STEADY_TIMEOUT_S = 15.0
HOLD_TIMEOUT_S = 180.0
RETRY_S = 0.02


def wait_still(meter: Meter, clock: Clock, still: StableHold, timeout_s: float) -> float:
    """Read the meter until ``still`` accepts; returns the mean of the still stretch in V.

    :raises BenchError: still moving after ``timeout_s``, or the meter gave nothing valid
    """
    give_up_s = clock.mono_s() + timeout_s
    why = "no valid reading"
    while clock.mono_s() < give_up_s:
        reading = meter.read_volts()
        if reading.value is None:
            why = f"the meter says: {reading.reason}"
            clock.sleep(RETRY_S)
            continue
        seen = still.add(reading.t_mono_s, reading.value)
        if not isinstance(seen, Hold):
            continue
        if seen.held:
            return seen.mean
        why = f"still for no more than {seen.still_s:.2g} s, last reading {reading.value:.5g} V"
    raise BenchError(f"the output did not come to rest within {timeout_s:g} s ({why})")


class RemoteOutput:
    """The unit set by remote command; the meter on its terminals says when it has settled."""

    by_hand = False

    def __init__(self, supply: Supply, meter: Meter, clock: Clock, step_v: float | None) -> None:
        self._supply, self._meter, self._clock = supply, meter, clock
        self._tolerance_v = max(1e-3, (step_v or 0.0))

    def on(self, on: bool) -> None:
        """Output on or off.

        :raises UnitTripError: the unit answers, and does not put its output on
        """
        try:
            self._supply.output(on)
        except InstrumentError as error:
            if not on:
                raise
            raise UnitTripError(f"the unit does not put its output on: {error}") from error

    def set_voltage(self, volts: float, *, settle: bool = True) -> float:
        """Set, wait for the meter to come to rest, return the set value in V."""
        self._supply.set_voltage(volts)
        if settle:
            still = StableHold(
                band_abs=self._tolerance_v, band_rel=2e-5, hold_s=0.1, readings_min=4
            )
            wait_still(self._meter, self._clock, still, STEADY_TIMEOUT_S)
        return volts

    def set_current_limit(self, amps: float) -> None:
        """Set the current limit in A."""
        self._supply.set_current_limit(amps)

    def sweep(self, target_v: float, rate_v_per_s: float) -> None:
        """Not for a unit that can be set remotely.

        :raises BenchError: always
        """
        raise BenchError(
            f"a remotely set unit goes to {target_v:g} V in steps, not at {rate_v_per_s:g} V/s"
        )


class HandOutput:
    """The unit set by a knob: ask, wait until it is still, take what the meter says."""

    by_hand = True

    def __init__(self, operator: Operator, meter: Meter, clock: Clock) -> None:
        self._operator, self._meter, self._clock = operator, meter, clock

    def on(self, on: bool) -> None:
        """Ask for the output to be switched."""
        word = "on" if on else "off"
        request = SwitchUnit("switch-output", f"Switch the unit's output {word}.", on=on)
        self._must(request)

    def set_voltage(self, volts: float, *, settle: bool = True) -> float:
        """Ask for a voltage; returns the measured voltage at which the knob came to rest."""
        self._must(TurnKnob("turn-voltage", f"Turn the voltage to about {volts:.2f} V.", volts))
        if not settle:
            return volts
        return wait_still(self._meter, self._clock, StableHold(), HOLD_TIMEOUT_S)

    def set_current_limit(self, amps: float) -> None:
        """Ask for the current limit."""
        self._must(
            TurnKnob(
                "turn-current", f"Turn the current limit to about {amps:.2f} A.", amps, unit="A"
            )
        )

    def sweep(self, target_v: float, rate_v_per_s: float) -> None:
        """Ask for a slow turn; returns while the knob is still moving."""
        self._must(
            TurnKnob(
                "sweep-voltage",
                f"Turn the voltage slowly and without stopping to {target_v:.2f} V,"
                f" at most {rate_v_per_s:.2g} V a second.",
                target_v,
                rate_per_s=rate_v_per_s,
                sweep=True,
            )
        )

    def _must(self, request: TurnKnob | SwitchUnit) -> None:
        answer = self._operator.answer(request)
        if not answer.done:
            raise BenchError(f"could not be done by hand: {request.text} {answer.words}".strip())


def unit_output(
    profile: Profile, instruments: BenchInstruments, operator: Operator, clock: Clock
) -> UnitOutput:
    """Return the way this unit's output is driven on this bench.

    :raises BenchError: the bench has no meter on the output
    """
    if instruments.meter is None:
        raise BenchError("nothing can be set without a meter on the unit's output")
    if profile.unit.setting == "remote" and instruments.supply is not None:
        return RemoteOutput(instruments.supply, instruments.meter, clock, profile.unit.setting_step)
    return HandOutput(operator, instruments.meter, clock)
