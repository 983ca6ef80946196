"""Any legal or nearly legal talk leaves every instrument alive and its errors in the queue."""

from __future__ import annotations

import functools
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_instruments.bench import MemoryBench
from sim_instruments.bench_clock import BenchClock
from sim_instruments.meter import Meter
from sim_instruments.scope import Scope
from sim_instruments.scope_front import ProbeOnUnit
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.site import Leads
from tests.sim_instruments.bench_fakes import Talk, WaveSite, memory_bench

ARGUMENTS = [
    "", "MIN", "MAX", "DEF", "0", "1", "-1", "2", "300", "1E-9", "1E6", "ON", "OFF", "ONCE", "CURR",
    "RES", '"VOLT"', '"VOLT:AC"', '"RES"', "CHAN1", "CHAN2", "LINE", "EXT", "BUS", "IMM", "PEAK",
    "AVER", "HRES", "WIND", "GND", "AC", "ASC", "WORD", "SWAP", "EITH", "NORM", "#12AB", "5 V",
    "1,2", "10,DEF",
]  # fmt: skip
TOO_LONG = ("TST", "POINts", "COUNt")  # legal, but only slow


def spelled(header: str) -> str:
    """Short form with all optional nodes left in and the suffix 1."""
    plain = re.sub(r"[a-z\[\]]", "", header)
    return re.sub(r"<[0-9]+>", "1", plain).removeprefix(":")


def headers(instrument: ScpiInstrument) -> list[str]:
    all_of_them = [*instrument.shared_commands(), *instrument.commands()]
    return sorted({spelled(c.header) for c in all_of_them if not c.header.endswith(TOO_LONG)})


def wave(t):
    return 3.0 + np.sin(2 * np.pi * 50 * t)


def meter() -> Meter:
    return Meter(
        Identity("N", "M", "1"), BenchClock(), WaveSite(wave).site(), Leads("plus", "minus")
    )


def scope() -> Scope:
    probes = {1: ProbeOnUnit(Leads("plus", "minus"))}
    made = Scope(Identity("N", "S", "1"), BenchClock(), WaveSite(wave).site(), probes)
    made.settings["points"] = 1000
    return made


@functools.cache
def bench() -> MemoryBench:
    return memory_bench()


def lines(instrument: ScpiInstrument) -> st.SearchStrategy[list[str]]:
    one = st.builds(
        lambda head, ask, argument: f"{head}{'?' if ask else ''} {argument}".strip(),
        st.sampled_from(headers(instrument)),
        st.booleans(),
        st.sampled_from(ARGUMENTS),
    )
    return st.lists(one, min_size=1, max_size=12)


def converse(instrument: ScpiInstrument, talk: list[str], pause_s: float) -> None:
    link = Talk(instrument)
    for line in talk:
        link.write(line)
        link.read(1.0)
        instrument.clock.sleep(pause_s)
    link.exchange.device_clear()
    link.reconnect()
    link.errors()
    assert link.ask("*IDN?") == str(instrument.identity)
    link.write("*RST;*CLS")
    assert link.ask("*ESE?") != ""


@pytest.mark.parametrize("make", [meter, scope, lambda: bench().instruments["load"]])
def test_every_declared_header_is_known(make) -> None:
    instrument = make()
    talk = Talk(instrument)
    for header in headers(instrument):
        talk.write(f"{header}?")
        talk.read(1.0)
        asked = talk.errors()
        talk.write(f"{header} 1")
        talk.read(1.0)
        acted = talk.errors()
        assert not (-113 in asked and -113 in acted), header


@settings(max_examples=100, deadline=None)
@given(lines(meter()))
def test_meter(talk: list[str]) -> None:
    converse(meter(), talk, 0.5)


@settings(max_examples=100, deadline=None)
@given(lines(scope()))
def test_scope(talk: list[str]) -> None:
    converse(scope(), talk, 0.05)


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_load_supply_and_mains_gear_on_the_unit(data: st.DataObject) -> None:
    names = [n for n in bench().instruments if n not in ("meter", "scope")]
    instrument = bench().instruments[data.draw(st.sampled_from(sorted(names)))]
    converse(instrument, data.draw(lines(instrument)), 0.05)
