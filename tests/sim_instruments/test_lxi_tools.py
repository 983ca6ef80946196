"""An independent client (Debian package lxi-tools, raw mode) talks to the served instruments."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator

import pytest

from sim_instruments.bench import TcpBench
from tests.sim_instruments.bench_fakes import tcp_bench

pytestmark = pytest.mark.skipif(shutil.which("lxi") is None, reason="lxi-tools is not installed")


@pytest.fixture(scope="module")
def bench() -> Iterator[TcpBench]:
    opened = tcp_bench(real_time=True, speed=4.0, port_base=0)
    yield opened
    opened.close()


def lxi(bench: TcpBench, name: str, command: str) -> bytes:
    port = str(bench.server.ports[name])
    done = subprocess.run(
        ["lxi", "scpi", "--raw", "-a", "127.0.0.1", "-p", port, "-t", "10", command],
        capture_output=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("name", ["meter", "load", "scope"])
def test_identity_and_error_queue(bench: TcpBench, name: str) -> None:
    identity = lxi(bench, name, "*IDN?").decode().strip()
    assert len(identity.split(",")) == 4
    assert name in identity
    assert lxi(bench, name, "SYST:ERR?").decode().strip() == '0,"No error"'
    lxi(bench, name, "NONSENSE 1")
    assert lxi(bench, name, "SYST:ERR?").decode().strip() == '-113,"Undefined header"'


def test_readings(bench: TcpBench) -> None:
    lxi(bench, "supply", "VOLT 5;OUTP ON")
    lxi(bench, "load", "CURR 1;:INP ON")
    lxi(bench, "meter", "CONF:VOLT:DC 10;:TRIG:DEL 1")
    assert float(lxi(bench, "meter", "READ?")) == pytest.approx(5.0, abs=0.1)
    assert float(lxi(bench, "load", "MEAS:CURR?")) == pytest.approx(1.0, abs=0.05)


def test_waveform_block(bench: TcpBench) -> None:
    lxi(bench, "scope", "ACQ:POIN 1000;:TRIG:SOUR LINE;:SING")
    assert lxi(bench, "scope", "*OPC?").strip() == b"1"
    block = lxi(bench, "scope", "WAV:DATA?")
    assert block.startswith(b"#41000")
    assert len(block) >= 6 + 1000
