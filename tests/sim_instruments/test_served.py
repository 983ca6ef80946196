"""The same instruments on TCP sockets and pseudo-terminals."""

from __future__ import annotations

import contextlib
import os
import select
import socket
from collections.abc import Iterator

import pytest
import pyvisa

from runner.clock import SystemClock
from sim_instruments.bench_clock import BenchClock
from sim_instruments.manners import Rudeness
from sim_instruments.scpi.instrument import Identity
from sim_instruments.serial_port import SerialPorts
from sim_instruments.tcp import Server
from tests.sim_instruments.bench_fakes import Toy, tcp_bench

V = b"+1.20000000E+01\n"


@contextlib.contextmanager
def served(*rules: str) -> Iterator[tuple[int, BenchClock, Rudeness]]:
    clock = BenchClock()
    rudeness = Rudeness(rules)
    server = Server({"toy": Toy(Identity("N", "T", "0"), clock)}, {"toy": rudeness}, clock)
    try:
        yield server.ports["toy"], clock, rudeness
    finally:
        server.close()


def connected(port: int, timeout_s: float = 2.0) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=timeout_s)


def ask(link: socket.socket, text: str) -> bytes:
    link.sendall(text.encode() + b"\n")
    got = b""
    with contextlib.suppress(TimeoutError):
        while not got.endswith(b"\n"):
            part = link.recv(65536)
            if not part:
                return got
            got += part
    return got


def test_queries_over_tcp_and_bench_time() -> None:
    with served() as (port, clock, _), connected(port) as link:
        assert ask(link, "MEAS:VOLT?") == V
        assert ask(link, "MEAS:VOLT?;CURR?").count(b";") == 1
        assert ask(link, "SLOW?") == b"7\n"  # a second of bench time, none of ours
        assert clock.mono_s() >= 1.0


def test_two_connections_share_the_instrument() -> None:
    with served() as (port, _, _), connected(port) as one, connected(port) as two:
        ask(one, "VOLT 7;:OUTP?")
        assert ask(two, "VOLT?") == b"+7.00000000E+00\n"


def test_close_and_reset() -> None:
    with served("close:query=1", "reset:query=2,after=3") as (port, _, _):
        with connected(port) as link:
            assert ask(link, "MEAS:VOLT?") == b""
        with connected(port) as link:
            link.sendall(b"MEAS:VOLT?\n")
            with pytest.raises(ConnectionResetError):
                while link.recv(100):
                    pass


def test_hang_up_at_once() -> None:
    with served("hang-up:until=100") as (port, _, _), connected(port) as link:
        assert link.recv(10) == b""


def test_refused_for_a_while_then_back_with_defaults() -> None:
    with served("restart:query=2,refuse=5s") as (port, clock, _):
        with connected(port) as link:
            ask(link, "VOLT 5;*CLS;*ESE?")
            link.sendall(b"MEAS:VOLT?\n")
            with contextlib.suppress(ConnectionResetError):
                assert link.recv(10) == b""
        real = SystemClock()
        for _ in range(100):  # until the port is shut
            try:
                connected(port).close()
            except ConnectionRefusedError:
                break
            real.sleep(0.02)
        else:
            pytest.fail("never refused")
        clock.sleep(6.0)
        for _ in range(100):
            try:
                link = connected(port)
                break
            except ConnectionRefusedError:
                real.sleep(0.02)
        with link:
            assert ask(link, "*ESR?") == b"128\n"
            assert ask(link, "VOLT?") == b"+1.00000000E+00\n"


def test_one_client_leaves_others_waiting() -> None:
    with (
        served("one-client") as (port, _, _),
        connected(port) as first,
        connected(port, 0.3) as second,
    ):
        assert ask(first, "MEAS:VOLT?") == V
        assert ask(second, "MEAS:VOLT?") == b""
        first.close()
        second.settimeout(5.0)
        assert ask(second, "OUTP?").endswith(b"\n")


def test_late_and_trickled_replies_are_late_in_earnest() -> None:
    rules = ("late:query=1,by=0.4s", "segments:query=2,size=4,gap=30ms")
    with served(*rules) as (port, clock, _), connected(port, 0.1) as link:
        assert ask(link, "MEAS:VOLT?") == b""
        link.settimeout(5.0)
        assert link.recv(100) == V
        begun = clock.mono_s()
        assert ask(link, "MEAS:VOLT?") == V
        assert clock.mono_s() - begun >= 0.09


def test_not_reading_blocks_a_large_write() -> None:
    with (
        served("not-reading") as (port, _, _),
        connected(port, 0.5) as link,
        pytest.raises(TimeoutError),
    ):
        for _ in range(1000):
            link.sendall(b"x" * 1_000_000)


def test_waiting_for_ever_does_not_run_bench_time_away() -> None:
    bench = tcp_bench()
    try:
        port = bench.server.ports["scope"]
        with connected(port, 0.3) as link:
            link.sendall(b"TRIG:SOUR EXT;:SING;*OPC?\n")
            assert ask(link, "") == b""
            assert bench.clock.mono_s() < 5.0
    finally:
        bench.close()


def test_bench_over_pyvisa_py() -> None:
    bench = tcp_bench()
    manager = pyvisa.ResourceManager("@py")
    try:
        links = {
            name: manager.open_resource(
                address, read_termination="\n", write_termination="\n", timeout=5000
            )
            for name, address in bench.addresses.items()
        }
        for name, link in links.items():
            assert name in link.query("*IDN?")
        links["supply"].write("VOLT 12;OUTP ON")
        links["supply"].query("*OPC?")
        bench.clock.sleep(5.0)
        links["meter"].write("CONF:VOLT:DC 100")
        assert float(links["meter"].query("READ?")) == pytest.approx(12.0, abs=0.1)
        for link in links.values():
            assert link.query("SYST:ERR?") == '0,"No error"'
    finally:
        manager.close()
        bench.close()


def test_several_benches_side_by_side_in_real_time() -> None:
    paced = {"real_time": True, "speed": 4.0, "port_base": 0}
    one = tcp_bench(**paced)
    two = tcp_bench(seed=2, faults=["reference-low"], **paced)
    try:
        assert not set(one.server.ports.values()) & set(two.server.ports.values())
        readings = []
        for bench in (one, two):
            with connected(bench.server.ports["supply"]) as link:
                assert ask(link, "VOLT 12;OUTP ON;*OPC?") == b"1\n"
            with connected(bench.server.ports["meter"], 10.0) as link:
                readings.append(float(ask(link, "CONF:VOLT:DC 100;:TRIG:DEL 1;:READ?")))
        assert readings[0] == pytest.approx(12.0, abs=0.1)
        assert readings[1] < readings[0] - 0.1
    finally:
        one.close()
        two.close()


def test_a_taken_port_is_an_error_that_leaves_nothing_running() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(OSError):
            tcp_bench(port_base=taken.getsockname()[1])


# --- pseudo-terminals


@contextlib.contextmanager
def terminal(*rules: str) -> Iterator[str]:
    clock = BenchClock()
    ports = SerialPorts(
        {"toy": Toy(Identity("N", "T", "0"), clock)}, {"toy": Rudeness(rules)}, clock
    )
    try:
        yield ports.paths["toy"]
    finally:
        ports.close()


def read_all(descriptor: int, wanted: int, seconds: float = 5.0) -> bytes:
    got = b""
    while len(got) < wanted and select.select([descriptor], [], [], seconds)[0]:
        got += os.read(descriptor, 4096)
    return got


def test_serial_query_through_pyvisa() -> None:
    with terminal() as path:
        manager = pyvisa.ResourceManager("@py")
        try:
            link = manager.open_resource(
                f"ASRL{path}::INSTR", read_termination="\n", write_termination="\n"
            )
            assert link.query("MEAS:VOLT?") == V.decode().strip()
            link.close()
        finally:
            manager.close()


def test_serial_echo_and_crlf() -> None:
    with terminal("echo", r"tail:text=\r\n") as path:
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(descriptor, b"OUTP?\n")
            assert read_all(descriptor, 9) == b"OUTP?\n0\r\n"
        finally:
            os.close(descriptor)
