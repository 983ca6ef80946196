"""Instruments in memory, through PyVISA itself."""

from __future__ import annotations

import csv
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from pyvisa import constants, errors

from sim_instruments.bench_clock import BenchClock
from sim_instruments.manners import Rudeness
from sim_instruments.scpi.instrument import Identity
from sim_instruments.visa_memory import LiveDevice, MemoryLibrary, memory_library
from tests.sim_instruments.bench_fakes import Toy, memory_bench

with (Path(__file__).parents[1] / "references/scpi/visa_names.csv").open(newline="") as _file:
    ROWS = list(csv.DictReader(_file))


def toy_library(*names: str, rules: tuple[str, ...] = ()) -> tuple[MemoryLibrary, BenchClock]:
    clock = BenchClock()
    library = memory_library(clock)
    for name in names:
        toy = Toy(Identity("Norvane", "TY-1", "0"), clock)
        library.add(name, LiveDevice(name, toy, Rudeness(rules)))
    return library, clock


@pytest.fixture
def opened() -> Iterator[Any]:
    managers: list[pyvisa.ResourceManager] = []

    def open_one(name: str, *rules: str, **options: Any) -> tuple[Any, BenchClock]:
        library, clock = toy_library(name, rules=rules)
        manager = pyvisa.ResourceManager(library)
        managers.append(manager)
        given = {"read_termination": "\n", "write_termination": "\n", "timeout": 2000} | options
        return manager.open_resource(name, **given), clock

    yield open_one
    for manager in managers:
        manager.close()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["input"])
def test_resource_names_stand_under_their_canonical_form(row: dict[str, str]) -> None:
    """VPP-4.3 names as PyVISA 1.16.2 reads them (tests/references/scpi/visa_names.csv)."""
    expected = row["canonical_pyvisa_1.16.2"]
    if expected == "ERROR":
        with pytest.raises(ValueError):
            toy_library(row["input"])
    else:
        library, _ = toy_library(row["input"])
        assert library.devices.list_resources() == (expected,)


@pytest.mark.parametrize(
    "name",
    ["TCPIP::sim::5025::SOCKET", "TCPIP::sim::INSTR", "USB0::0x1::0x2::S::INSTR", "ASRL3::INSTR",
     "GPIB::9::INSTR"],
)  # fmt: skip
def test_the_same_instrument_on_every_interface(opened: Any, name: str) -> None:
    visa, _ = opened(name)
    assert visa.query("*IDN?") == "Norvane,TY-1,0,1.0"
    visa.write("VOLT 5")
    assert visa.query("VOLT?;:OUTP?") == "+5.00000000E+00;0"
    assert visa.query("SYST:ERR?") == '0,"No error"'


def test_waiting_costs_bench_time_only(opened: Any) -> None:
    visa, clock = opened("TCPIP::sim::5025::SOCKET")
    assert visa.query("SLOW?") == "7"
    assert clock.mono_s() == pytest.approx(1.0, abs=0.01)
    visa.timeout = 3_600_000
    with pytest.raises(errors.VisaIOError) as caught:
        visa.query("FOO?")
    assert caught.value.error_code == constants.StatusCode.error_timeout
    assert clock.mono_s() == pytest.approx(3601.0, abs=0.1)


def test_a_timeout_shorter_than_the_work(opened: Any) -> None:
    visa, _ = opened("TCPIP::sim::5025::SOCKET", timeout=500)
    with pytest.raises(errors.VisaIOError):
        visa.query("SLOW?")
    visa.timeout = 2000
    assert visa.read() == "7"


def test_stream_has_no_end_of_message(opened: Any) -> None:
    """A raw socket read without a termination character ends in a timeout (F01)."""
    visa, _ = opened("TCPIP::sim::5025::SOCKET", read_termination=None)
    with pytest.raises(errors.VisaIOError):
        visa.query("MEAS:VOLT?")


def test_message_based_rules(opened: Any) -> None:
    visa, clock = opened("TCPIP::sim::INSTR")
    visa.write("MEAS:VOLT?")
    visa.write("MEAS:CURR?")
    assert visa.read() == "+3.00000000E+00"
    assert visa.query("SYST:ERR?").startswith("-410")
    with pytest.raises(errors.VisaIOError):
        visa.read()
    assert visa.query("SYST:ERR?").startswith("-420")
    visa.write("MEAS:VOLT?")
    clock.sleep(1.0)
    assert visa.read() == "+1.20000000E+01"
    assert visa.query("SYST:ERR?").startswith("0,")
    visa.write("SLOW?")
    visa.clear()
    assert visa.query("MEAS:VOLT?") == "+1.20000000E+01"
    assert visa.query("SYST:ERR?").startswith("0,")
    visa.write("MEAS:VOLT?")
    clock.sleep(0.01)
    assert visa.read_stb() & 16


def test_lost_connection_and_refusal(opened: Any) -> None:
    visa, clock = opened("TCPIP::sim::5025::SOCKET", "restart:query=2,refuse=5s")
    assert visa.query("MEAS:VOLT?") != ""
    with pytest.raises(errors.VisaIOError) as caught:
        visa.query("MEAS:VOLT?")
    assert caught.value.error_code == constants.StatusCode.error_connection_lost
    manager = visa.visalib.resource_manager
    with pytest.raises(errors.VisaIOError):
        manager.open_resource("TCPIP::sim::5025::SOCKET")
    clock.sleep(6.0)
    again = manager.open_resource(
        "TCPIP::sim::5025::SOCKET", read_termination="\n", write_termination="\n"
    )
    assert again.query("*ESR?") == "128"


def test_an_error_that_is_none_of_visas(opened: Any) -> None:
    visa, _ = opened("TCPIP::sim::5025::SOCKET", "raise:query=1")
    with pytest.raises(RuntimeError):
        visa.query("MEAS:VOLT?")


def test_one_client_only(opened: Any) -> None:
    visa, _ = opened("TCPIP::sim::5025::SOCKET", "one-client")
    assert visa.query("OUTP?") == "0"
    with pytest.raises(errors.VisaIOError) as caught:
        visa.visalib.resource_manager.open_resource("TCPIP::sim::5025::SOCKET")
    assert caught.value.error_code == constants.StatusCode.error_resource_busy


def test_a_steady_reading_is_cheap() -> None:
    """Counted in work, not seconds: 1000 readings at most 40 times 1000 bare queries."""
    bench = memory_bench()
    manager = pyvisa.ResourceManager(bench.visa_library)
    try:
        ends = {"read_termination": "\n", "write_termination": "\n", "timeout": 10000}
        meter = manager.open_resource(bench.addresses["meter"], **ends)
        supply = manager.open_resource(bench.addresses["supply"], **ends)
        supply.write("VOLT 12;OUTP ON")
        meter.write("CONF:VOLT:DC 100;:VOLT:DC:NPLC 1")
        bench.clock.sleep(60.0)
        meter.query("READ?")
        begun = time.process_time()
        for _ in range(200):
            meter.query("*ESE?")
        bare_s = time.process_time() - begun
        begun = time.process_time()
        for _ in range(200):
            meter.query("READ?")
        assert time.process_time() - begun < 40 * bare_s
    finally:
        manager.close()
        bench.close()
