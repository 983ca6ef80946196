"""What a check may ask of an instrument, whatever make it is or whether a person reads it.

All values are SI. Methods that measure return :class:`~runner.reading.Reading` objects, valid or
with the reason why not; they never return a number that could not be proved to be the answer.
Methods that set raise :class:`~runner.errors.BenchError` when the setting was not taken (every
setting that matters is read back).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from runner.reading import Reading

__all__ = [
    "BenchInstruments",
    "Capture",
    "ChannelSetup",
    "CutsBelow",
    "Identity",
    "Load",
    "LoadState",
    "MainsMeter",
    "MainsSource",
    "Meter",
    "Scope",
    "Supply",
    "Thermometer",
    "TimebaseSetup",
    "Trigger",
]


@dataclass(frozen=True, slots=True)
class Identity:
    """Who answered: the four fields of ``*IDN?`` and the dialect chosen for it."""

    maker: str
    model: str
    serial: str
    firmware: str
    dialect: str
    dialect_proven: bool
    accuracy: Mapping[str, Any] = field(default_factory=dict)
    """Accuracy by function as plain data (see runner.metrology.accuracy), kept in the journal."""
    calibration_due: str | None = None


class Instrument(Protocol):
    """Common to all roles."""

    name: str

    def identity(self) -> Identity:
        """Who it is, as found when the session was opened."""
        ...

    def make_safe(self) -> None:
        """Put the instrument into its harmless idle state and release its panel."""
        ...

    def close(self) -> None:
        """Give the session back; may be called twice."""
        ...


@runtime_checkable
class Meter(Instrument, Protocol):
    """A multimeter; also a person with a handheld."""

    def set_dc_volts(self, *, expect_v: float | None, nplc: float = 10.0) -> None:
        """Fixed range that holds ``expect_v`` (None: autorange), integration in mains cycles."""
        ...

    def read_volts(self, quantity: str = "output-voltage") -> Reading:
        """One dc reading in V."""
        ...

    def read_volts_many(self, n: int, quantity: str = "output-voltage") -> list[Reading]:
        """``n`` dc readings in V, one after another."""
        ...

    def read_ac_volts(self, *, expect_v: float | None, quantity: str = "ac-voltage") -> Reading:
        """True-rms ac reading in V after settling; dc function is restored."""
        ...

    @property
    def input_ohms(self) -> float:
        """Input resistance in the present dc range."""
        ...


@runtime_checkable
class OverlappingMeter(Meter, Protocol):
    """A meter that can work while something else does: begin, do the other thing, end.

    Exactly one ``end_reading`` follows each ``begin_reading``; order and time stamps are kept.
    """

    def begin_reading(self) -> None:
        """Start one dc reading and return at once."""
        ...

    def end_reading(self, quantity: str = "output-voltage") -> Reading:
        """Wait for it and return it in V."""
        ...


@dataclass(frozen=True, slots=True)
class LoadState:
    """What the load says of itself; ``tripped`` names the protection that acted, else None."""

    input_on: bool
    tripped: str | None
    unregulated: bool


@runtime_checkable
class Load(Instrument, Protocol):
    """A programmable load; also fixed resistors switched by a person."""

    max_current_a: float
    max_voltage_v: float
    max_power_w: float

    def set_current(self, level_a: float, *, slew_a_per_s: float | None = None) -> None:
        """Constant current, range chosen for ``level_a``; the input is not switched."""
        ...

    def set_resistance(self, level_ohm: float, *, expect_a: float | None = None) -> None:
        """Constant resistance, range chosen for ``expect_a``; the input is not switched."""
        ...

    def input(self, on: bool) -> None:
        """Switch the input and read the state back."""
        ...

    def short(self, on: bool) -> None:
        """Switch the input's short on or off, where the load has one."""
        ...

    def pulse(self, low_a: float, high_a: float, frequency_hz: float, slew_a_per_s: float) -> None:
        """Run between two currents, 50 % duty; the input is not switched."""
        ...

    def pulse_off(self) -> None:
        """End pulsing; constant current at the low level remains set."""
        ...

    def read_amps(self, quantity: str = "load-current") -> Reading:
        """Current into the load in A."""
        ...

    def read_volts(self, quantity: str = "load-voltage") -> Reading:
        """Voltage at the load's terminals in V."""
        ...

    def state(self) -> LoadState:
        """Input and protection state, asked now."""
        ...

    def off_confirmed(self) -> bool:
        """Put the input off and say whether it was read back off; never raises."""
        ...


@runtime_checkable
class FixedSteps(Protocol):
    """A load that draws only certain currents, such as a few resistors."""

    def nearest_a(self, volts: float, wanted_a: float) -> float:
        """Current (A) of the step nearest to the wanted one at this voltage."""
        ...


@runtime_checkable
class CutsBelow(Protocol):
    """A load that can be told to stop drawing when the voltage falls, without the program."""

    def cut_below(self, volts: float) -> bool:
        """Draw only above this voltage (0: always), read back; False where it cannot."""
        ...


Coupling = Literal["dc", "ac"]


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """One scope channel: full-scale span (V, at the probe tip), offset (V), coupling."""

    channel: str
    span_v: float
    offset_v: float = 0.0
    coupling: Coupling = "dc"
    bandwidth_limit: bool = True


@dataclass(frozen=True, slots=True)
class TimebaseSetup:
    """Record of ``duration_s`` with ``points`` samples; ``pre_fraction`` of it before trigger."""

    duration_s: float
    points: int
    pre_fraction: float = 0.1
    acquire: Literal["normal", "peak", "average", "high-resolution"] = "normal"
    averages: int = 1


@dataclass(frozen=True, slots=True)
class Trigger:
    """``source`` is a channel, "line" or "none" (free run); ``level_v`` at the probe tip."""

    source: str = "line"
    slope: Literal["rising", "falling", "either"] = "rising"
    level_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Capture:
    """One channel's record in V at the probe tip, or the reason why there is none.

    ``v`` has shape (n_samples,), sample ``i`` is at ``t0_s + i·dt_s`` relative to the trigger.
    ``t_trigger_mono_s`` is the trigger on the injected clock where it is known.
    """

    channel: str
    instrument: str
    v: NDArray[np.float64]
    dt_s: float
    t0_s: float
    lsb_v: float
    span_v: float
    offset_v: float
    coupling: Coupling
    probe: float
    bandwidth_hz: float | None
    acquire: str
    clipped: bool
    t_trigger_mono_s: float | None = None
    reason: str | None = None

    @property
    def valid(self) -> bool:
        """Whether there is a record."""
        return self.reason is None


@runtime_checkable
class Scope(Instrument, Protocol):
    """An oscilloscope. Channels are named "ch1", "ch2"…"""

    max_points: int

    def setup(
        self, channels: Sequence[ChannelSetup], timebase: TimebaseSetup, trigger: Trigger
    ) -> None:
        """Set up and read back; other channels are switched off."""
        ...

    def capture(self, timeout_s: float | None = None) -> dict[str, Capture]:
        """Arm, wait for the trigger (or force it when the source is "none"), fetch."""
        ...

    def arm(self) -> None:
        """Arm a single acquisition and return when it is armed."""
        ...

    def triggered(self) -> bool:
        """Whether the armed acquisition is complete."""
        ...

    def fetch(self) -> dict[str, Capture]:
        """Fetch the completed acquisition."""
        ...

    def stop(self) -> None:
        """Stop; an armed acquisition is given up."""
        ...


@runtime_checkable
class Supply(Instrument, Protocol):
    """The unit itself, where it can be set remotely. Its readback is never the reference."""

    def set_voltage(self, volts: float) -> None:
        """Set point in V, read back."""
        ...

    def set_current_limit(self, amps: float) -> None:
        """Current limit in A, read back."""
        ...

    def output(self, on: bool) -> None:
        """Output on or off, read back."""
        ...

    def panel_volts(self) -> Reading:
        """What the unit says its output voltage is; quantity "panel-voltage"."""
        ...

    def panel_amps(self) -> Reading:
        """What the unit says its current is; quantity "panel-current"."""
        ...

    def mode(self) -> str:
        """Return "cv", "cc", "off" or "unknown"."""
        ...


@runtime_checkable
class MainsMeter(Instrument, Protocol):
    """A power meter in the unit's mains lead."""

    def read_mains(self) -> dict[str, Reading]:
        """At one moment: line-voltage, inlet-current, inlet-power, line-frequency (V A W Hz)."""
        ...


@runtime_checkable
class MainsSource(Instrument, Protocol):
    """A settable mains source feeding the unit."""

    def set_line(self, volts: float, hertz: float) -> None:
        """Line voltage (rms) and frequency, read back."""
        ...

    def output(self, on: bool) -> None:
        """Switch the unit's mains."""
        ...


@runtime_checkable
class Thermometer(Instrument, Protocol):
    """One temperature."""

    def read_celsius(self, quantity: str = "heatsink-temperature") -> Reading:
        """Temperature in °C."""
        ...


class BenchInstruments(Protocol):
    """The open bench as checks see it: a role that the bench lacks is None."""

    meter: Meter | None
    load: Load | None
    scope: Scope | None
    supply: Supply | None
    mains_meter: MainsMeter | None
    mains_source: MainsSource | None
    thermometer: Thermometer | None
