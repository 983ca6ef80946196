"""What a dialect must prove against its twin, role by role; raises where it does not."""

from __future__ import annotations

import numpy as np
import pytest

from runner.clock import SystemClock
from runner.instruments.roles import Capture, ChannelSetup, TimebaseSetup, Trigger
from tests.instruments.bench_of import opened_instrument
from tests.instruments.scopes import DT_S, VOLTS
from tests.instruments.twin import Twin, served

__all__ = [
    "capture_of",
    "prove_load",
    "prove_mains_meter",
    "prove_mains_source",
    "prove_meter",
    "prove_scope",
    "prove_supply",
    "prove_thermometer",
]

RATINGS = {"current_max": "30 A", "voltage_max": "150 V", "power_max": "200 W"}
LINE = {
    "line-voltage": 230.12,
    "inlet-current": 0.194,
    "inlet-power": 32.13,
    "line-frequency": 50.0,
}


def prove_meter(name: str, twin: Twin) -> None:
    with (
        served(twin) as (player, address),
        opened_instrument("meter", address, name) as meter,
    ):
        meter.set_dc_volts(expect_v=12.0, nplc=10)
        reading = meter.read_volts()
        assert reading.valid, reading.reason
        assert reading.value == pytest.approx(12.00345)
        assert reading.range is not None and reading.range * 1.2 > 12.0
        meter.begin_reading()
        assert meter.end_reading().value == pytest.approx(12.00345)
        assert meter.read_ac_volts(expect_v=12.0).value == pytest.approx(12.00345)
    assert player.unknown == []


def prove_load(name: str, twin: Twin) -> None:
    with (
        served(twin) as (player, address),
        opened_instrument("load", address, name, **RATINGS) as load,
    ):
        load.set_current(1.5, slew_a_per_s=2e5)
        load.input(True)
        assert load.state().input_on and load.state().tripped is None
        assert load.read_amps().value == pytest.approx(1.5, abs=2e-4)
        assert load.read_volts().value == pytest.approx(12.003, abs=1e-3)
        assert float(player.state["amps"]) == pytest.approx(1.5)
        if "slew" in player.state:
            unit = 1.0 if name == "keysight-el30000" else 1e6
            assert float(player.state["slew"]) * unit == pytest.approx(2e5)
        assert load.off_confirmed()
        assert not load.state().input_on
    assert player.unknown == []


def prove_supply(name: str, twin: Twin) -> None:
    # A line without ends is framed by silence: it cannot be hurried below its gap.
    link = {"quiet_s": 0.05, "pace_s": 0.05} if twin.no_end else {}
    with (
        served(twin) as (player, address),
        opened_instrument("supply", address, name, SystemClock(), link=link) as supply,
    ):
        supply.set_voltage(12.0)
        supply.set_current_limit(0.5)
        supply.output(True)
        assert float(player.state["volts"]) == pytest.approx(12.0)
        assert float(player.state["amps"]) == pytest.approx(0.5)
        assert supply.panel_volts().value == pytest.approx(12.0, abs=5e-3)
        assert supply.panel_amps().value == pytest.approx(0.5, abs=5e-4)
        assert supply.mode() == "cv"
        supply.output(False)
        assert supply.mode() == "off"
    assert player.unknown == []


def prove_mains_source(name: str, twin: Twin) -> None:
    with (
        served(twin) as (player, address),
        opened_instrument("mains-source", address, name) as source,
    ):
        source.set_line(207.0, 50.0)
        source.output(True)
        assert player.state["volts"] == "207.0" and player.state["out"] == "ON"
    assert player.unknown == []


def prove_mains_meter(name: str, twin: Twin) -> None:
    with (
        served(twin) as (player, address),
        opened_instrument("mains-meter", address, name) as meter,
    ):
        readings = meter.read_mains()
    assert {key: one.value for key, one in readings.items()} == {
        key: pytest.approx(value) for key, value in LINE.items()
    }
    assert player.unknown == []


def prove_thermometer(name: str, twin: Twin) -> None:
    with (
        served(twin) as (player, address),
        opened_instrument("thermometer", address, name) as thermometer,
    ):
        assert thermometer.read_celsius().value == pytest.approx(41.234)
        open_couple = thermometer.read_celsius("ambient-temperature")
        assert not open_couple.valid and "overload" in (open_couple.reason or "")
    assert player.unknown == []


def capture_of(name: str, twin: Twin, **trigger: object) -> tuple[Capture, list[str]]:
    """Set up channel 1 for the twin's signal and capture it."""
    with (
        served(twin) as (player, address),
        opened_instrument("scope", address, name, probes={"ch1": {"factor": 1.0}}) as scope,
    ):
        scope.setup(
            [ChannelSetup("ch1", span_v=0.16, offset_v=4.5, coupling="dc")],
            TimebaseSetup(duration_s=0.01, points=1000, pre_fraction=0.1),
            Trigger(**({"source": "line"} | trigger)),  # type: ignore[arg-type]
        )
        captures = scope.capture(1.0)
    return captures["ch1"], player.unknown


def prove_scope(name: str, twin: Twin) -> None:
    capture, unknown = capture_of(name, twin)
    assert capture.reason is None
    assert capture.dt_s == pytest.approx(DT_S)
    assert capture.lsb_v < 1e-3
    assert np.max(np.abs(capture.v - VOLTS)) <= capture.lsb_v / 2 + 1e-6
    assert np.ptp(capture.v) == pytest.approx(0.06, abs=2 * capture.lsb_v)
    assert unknown == []
