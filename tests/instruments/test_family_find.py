"""``asleft find`` against served twins of the meter families: who, and a trial that only asks.

A line end or a unit that is another than documented is noticed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from click.testing import CliRunner

from runner.bench_provider import BenchSetup
from runner.cli.find import find
from runner.clock import SystemClock
from runner.errors import BenchError
from runner.instruments.dialect_files import shipped_dialects
from runner.instruments.discovery import ask_who
from sim_instruments.bench import TcpBench
from sim_instruments.families.table import METERS
from tests.faults.compact import inputs
from tests.instruments.bench_of import opened_instrument


@contextmanager
def _served(family: str) -> Iterator[tuple[Any, str]]:
    read = inputs("tcp")
    setup: Any = BenchSetup(
        bench=read.bench, profile=read.profile, seed=1, faults=(),
        options={"families": {"meter": family}},
    )  # fmt: skip
    bench = TcpBench(setup)
    try:
        yield bench.instruments["meter"], bench.addresses["meter"]
    finally:
        bench.close()


@pytest.mark.parametrize("family", METERS)
def test_recognised_with_its_serial_number(family: str) -> None:
    with _served(family) as (_, address):
        found = ask_who(address, SystemClock())
    assert found.dialects == (family,)
    assert found.serial.endswith("00000001")


@pytest.mark.parametrize("family", METERS)
def test_trial_only_asks(family: str) -> None:
    path = shipped_dialects() / f"{family}.toml"
    with _served(family) as (meter, address):
        before = dict(meter.settings)
        result = CliRunner().invoke(find, [address, "--try", str(path)], standalone_mode=False)
        changed = {k for k, v in meter.settings.items() if before.get(k) != v}
    assert result.exception is None, result.output
    assert "meter.queries.reading" in result.output
    assert {key for key in changed if key.startswith(("function", "auto"))} == set()


def _proof(family: str) -> None:
    """Volts are set up and read; the unit's output is off, so that about 0 V is due."""
    with _served(family) as (_, address), opened_instrument("meter", address, family) as meter:
        meter.set_dc_volts(expect_v=5.0)
        reading = meter.read_volts()
        assert reading.valid, reading.reason
        assert abs(reading.value) < 0.01


@pytest.mark.parametrize("family", METERS)
def test_volts_over_a_socket(family: str) -> None:
    _proof(family)


@pytest.mark.parametrize("end", [b"\r", b"V\n"], ids=["terminator", "unit"])
@pytest.mark.parametrize("family", METERS)
def test_other_line_end_or_unit_is_noticed(
    family: str, end: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(METERS[family], "reply_end", end)
    with pytest.raises((BenchError, AssertionError)):
        _proof(family)
