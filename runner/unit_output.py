"""Drives the unit's output: by remote command, or by asking the person who has the knob."""

from __future__ import annotations

from runner.checks.check import UnitOutput
from runner.errors import BenchError, InstrumentError, UnitRefusesError
from runner.instruments.hand import HandMeter
from runner.instruments.roles import BenchInstruments, Supply
from runner.operator.requests import Operator, SwitchUnit, TurnKnob
from runner.profile import Profile

__all__ = ["HandOutput", "RemoteOutput", "unit_output"]


class RemoteOutput:
    """The unit set by remote command."""

    by_hand = False

    def __init__(self, supply: Supply) -> None:
        self._supply = supply

    def on(self, on: bool) -> None:
        """Output on or off.

        :raises UnitRefusesError: the unit answers, and does not put its output on
        """
        try:
            self._supply.output(on)
        except InstrumentError as error:
            if not on:
                raise
            raise UnitRefusesError(
                "output stays on", f"the unit does not put its output on: {error}"
            ) from error

    def set_voltage(self, volts: float, *, stands_at_v: float | None = None) -> None:
        """Set; the output may still be moving."""
        self._supply.set_voltage(volts)

    def set_current_limit(self, amps: float) -> None:
        """Set the current limit in A."""
        self._supply.set_current_limit(amps)

    def sweep(self, target_v: float, rate_v_per_s: float, *, because: str = "") -> None:
        """Not for a unit that can be set remotely.

        :raises BenchError: always
        """
        raise BenchError(
            f"a remotely set unit goes to {target_v:g} V in steps, not at {rate_v_per_s:g} V/s"
        )


class HandOutput:
    """The unit set by a knob: ask, and take the person's word that it was turned."""

    by_hand = True

    def __init__(self, operator: Operator, *, watched: bool, rated_a: float) -> None:
        self._operator, self._watched, self._rated_a = operator, watched, rated_a

    def on(self, on: bool) -> None:
        """Ask for the output to be switched."""
        word = "on" if on else "off"
        request = SwitchUnit("switch-output", f"Switch the unit's output {word}.", on=on)
        self._must(request)

    def set_voltage(self, volts: float, *, stands_at_v: float | None = None) -> None:
        """Ask for a voltage, saying where the output stands if that has been seen."""
        text = f"Turn the voltage to about {volts:.2f} V."
        if stands_at_v is not None:
            text = f"The output stands at {stands_at_v:.2f} V. {text}"
        self._must(TurnKnob("turn-voltage", text, volts, watched=self._watched))

    def set_current_limit(self, amps: float) -> None:
        """Ask for the current limit."""
        text = f"Turn the current limit to about {amps:.2f} A."
        if amps >= self._rated_a:
            text = f"Turn the current limit all the way up, to {amps:.2f} A or what it gives."
        self._must(TurnKnob("turn-current", text, amps, unit="A"))

    def sweep(self, target_v: float, rate_v_per_s: float, *, because: str = "") -> None:
        """Ask for a slow turn; returns while the knob is still moving."""
        text = (
            f"{because} Turn the voltage slowly and without stopping to {target_v:.2f} V,"
            f" at most {rate_v_per_s:.2g} V a second."
        )
        self._must(
            TurnKnob(
                "sweep-voltage",
                text.strip(),
                target_v,
                rate_per_s=rate_v_per_s,
                sweep=True,
            )
        )

    def _must(self, request: TurnKnob | SwitchUnit) -> None:
        answer = self._operator.answer(request)
        if not answer.done:
            raise BenchError(f"could not be done by hand: {request.text} {answer.words}".strip())


def unit_output(profile: Profile, instruments: BenchInstruments, operator: Operator) -> UnitOutput:
    """Return the way this unit's output is driven on this bench."""
    if profile.unit.setting == "remote" and instruments.supply is not None:
        return RemoteOutput(instruments.supply)
    watched = not isinstance(instruments.meter, HandMeter)
    return HandOutput(operator, watched=watched, rated_a=profile.unit.current.high)
