"""Every dialect against its twin: what is set arrives in the family's words, what is read is SI."""

from __future__ import annotations

import pytest

from runner.clock import SystemClock
from runner.instruments.dialect_files import load_dialect, matching_dialects
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import LOADS, MAINS, METERS, SUPPLIES, THERMOMETERS
from tests.instruments.twin import Twin, served


def slow_line(twin: Twin) -> dict[str, float]:
    """Silence-framed lines cannot be hurried below their gap."""
    return {"quiet_s": 0.05, "pace_s": 0.05} if twin.no_end else {}


@pytest.mark.parametrize("name", METERS)
def test_meter(name: str) -> None:
    with served(METERS[name]) as (player, address), opened_instrument("meter", address, name) as meter:
        meter.set_dc_volts(expect_v=12.0, nplc=10)
        reading = meter.read_volts()
        assert reading.valid, reading.reason
        assert reading.value == pytest.approx(12.00345)
        assert reading.range is not None and 12.0 < reading.range * 1.2
        ac = meter.read_ac_volts(expect_v=12.0)
        assert ac.value == pytest.approx(12.00345)
    assert player.unknown == []


@pytest.mark.parametrize("name", LOADS)
def test_load(name: str) -> None:
    with served(LOADS[name]) as (player, address):
        ratings = {"current_max": "30 A", "voltage_max": "150 V", "power_max": "200 W"}
        with opened_instrument("load", address, name, **ratings) as load:
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


@pytest.mark.parametrize("name", [name for name in LOADS if name != "easttester-et54"])
def test_load_pulse(name: str) -> None:
    with (
        served(LOADS[name]) as (player, address),
        opened_instrument("load", address, name, current_max="30 A") as load,
    ):
        load.pulse(0.5, 2.0, 100.0, 2e5)
        load.pulse_off()
    assert player.unknown == []
    if name == "rigol-dl3000":  # kilohertz there
        assert float(player.state["khz"]) == pytest.approx(0.1)


@pytest.mark.parametrize("name", SUPPLIES)
def test_supply(name: str) -> None:
    twin = SUPPLIES[name]
    with (
        served(twin) as (player, address),
        opened_instrument("supply", address, name, SystemClock(), link=slow_line(twin)) as supply,
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


def test_mains_source() -> None:
    with (
        served(MAINS["chroma-61600"]) as (player, address),
        opened_instrument("mains-source", address, "chroma-61600") as source,
    ):
        source.set_line(207.0, 50.0)
        source.output(True)
        assert player.state["volts"] == "207.0" and player.state["out"] == "ON"
    assert player.unknown == []


@pytest.mark.parametrize("name", ["yokogawa-wt310", "gw-gpm8310"])
def test_mains_meter(name: str) -> None:
    with (
        served(MAINS[name]) as (player, address),
        opened_instrument("mains-meter", address, name) as meter,
    ):
        readings = meter.read_mains()
    assert {key: one.value for key, one in readings.items()} == {
        "line-voltage": pytest.approx(230.12),
        "inlet-current": pytest.approx(0.194),
        "inlet-power": pytest.approx(32.13),
        "line-frequency": pytest.approx(50.0),
    }
    assert player.unknown == []


def test_thermometer() -> None:
    name = "keysight-34970a"
    with (
        served(THERMOMETERS[name]) as (player, address),
        opened_instrument("thermometer", address, name) as thermometer,
    ):
        assert thermometer.read_celsius().value == pytest.approx(41.234)
        open_couple = thermometer.read_celsius("ambient-temperature")
        assert not open_couple.valid and "overload" in (open_couple.reason or "")
    assert player.unknown == []


EVERY = {**METERS, **LOADS, **SUPPLIES, **MAINS, **THERMOMETERS}


@pytest.mark.parametrize("name", EVERY)
def test_identity_belongs_to_one_dialect(name: str) -> None:
    assert [one.name for one in matching_dialects(EVERY[name].idn)] == [name]


@pytest.mark.parametrize("name", EVERY)
def test_memory_is_confessed(name: str) -> None:
    """A dialect that nobody tried on the instrument says so."""
    assert not load_dialect(name).proven
    assert load_dialect(name).from_memory
