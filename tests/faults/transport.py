"""Section H: connection and transport (F71 to F87)."""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path
from typing import Any

import psutil

from runner.clock import SystemClock
from runner.errors import AsleftError, ConnectError, DeadlineError
from runner.link.lockfile import ResourceLock
from runner.link.options import LinkOptions
from runner.link.ports import VisaPort, Worker
from runner.link.session import Session
from runner.link.trace import Trace
from tests.faults.framing import READ, healthy
from tests.faults.harness import LINK, Faulty, case, link_to, load_on, meter_on, session_on, told
from tests.faults.plain import METER
from tests.faults.stand_ins import FakeVisaResource
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import LOADS
from tests.instruments.twin import Player
from tests.link.scripted import FIN, MUTE, RST, Pause, Scripted, ScriptedSerial


def opening(address: str, **link: Any) -> str:
    """Open a plain meter at the address: a reading, or the refusal."""
    try:
        with opened_instrument("meter", address, "scpi-1999", link={**LINK, **link}) as meter:
            return told(meter.read_volts())
    except AsleftError as error:
        return str(error)


@case("F71", "Open succeeds on nothing", due="closed port: refused; backlog: in use?; closed at once: said so",
      twin=healthy, twin_due="VALUE 12")  # fmt: skip
def f71() -> str:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    closed = opening(f"TCPIP::127.0.0.1::{port}::SOCKET")
    assert "refused" in closed.lower() and str(port) in closed, closed
    with Scripted(METER_SCRIPT(), nonce=False, most_clients=0) as busy:
        backlog = opening(busy.address, first_timeout_s=0.2)
        assert "does another program hold it" in backlog, backlog
    with Scripted(METER_SCRIPT(), nonce=False, greeting=[FIN]) as shy:
        at_once = opening(shy.address)
        assert "closed the connection" in at_once or "broke" in at_once, at_once
    return "closed port: refused; backlog: in use?; closed at once: said so"


def METER_SCRIPT() -> Any:  # noqa: N802 - a fresh player each time
    return Faulty(METER, {}).reply


@case("F71b", "The only slot is freed late", due="VALUE 12 after waiting for the release",
      twin=healthy, twin_due="VALUE 12")  # fmt: skip
def f71b() -> str:
    with Scripted(METER_SCRIPT(), nonce=False) as server:
        server.refuse = True
        threading.Timer(0.3, lambda: setattr(server, "refuse", False)).start()
        outcome = opening(server.address, release_s=2.0)
        return f"{outcome} after waiting for the release"


@case("F74", "Idle drop", due="VALUE 12 then VALUE 12, reopened once",
      twin=lambda: _after_idle(None), twin_due="VALUE 12 then VALUE 12")  # fmt: skip
def f74() -> str:
    silent = _after_idle(MUTE)
    assert silent == _after_idle(RST)
    return silent


def _after_idle(fault: str | None) -> str:
    # 300 s idle in the field; scaled to the session's own idle limit of 0.1 s.
    with meter_on({READ: ([b"+1.2E+01\n", fault] if fault else b"+1.2E+01\n", b"+1.2E+01\n")},
                  link={"idle_check_s": 0.1, "late_s": 0.15}) as (meter, _, server):  # fmt: skip
        first = told(meter.read_volts())
        meter._session.wait(0.2)
        second = told(meter.read_volts())
        reopened = ", reopened once" if server.connections == 2 else ""
        return f"{first} then {second}{reopened}"


@case("F75", "Peer stops reading", due="IO-ERROR(the instrument did not take the message in time)",
      twin=lambda: _large_write(reading=True), twin_due="VALUE written")  # fmt: skip
def f75() -> str:
    begun_s = time.monotonic()
    outcome = _large_write(reading=False)
    assert time.monotonic() - begun_s < 3.0
    return outcome


def _large_write(*, reading: bool) -> str:
    with session_on({}, text_cap=65536) as (session, server):
        session.query("*ESR?")
        server.reading = reading
        try:
            session.write("DATA " + "0" * 12_000_000, 5.0 if reading else 0.3)
        except AsleftError as error:
            server.reading = True
            return told(error)
        return "VALUE written"


@case("F76", "Locks", due="bounded wait then VALUE +1.2E+01; for ever: IO-ERROR naming it; lock file: second run refused",
      twin=lambda: _locked(times=0), twin_due="VALUE +1.2E+01")  # fmt: skip
def f76() -> str:
    waited = _locked(times=2)
    for_ever = _locked(times=10**6)
    assert for_ever.startswith("IO-ERROR(the VISA library reports: device locked"), for_ever
    lock = ResourceLock("TCPIP::test-lock::1::SOCKET", "meter")
    try:
        ResourceLock("tcpip::test-lock::1::socket", "meter")
        second = "taken twice"
    except ConnectError as error:
        second = "second run refused" if "in use by another run (process" in str(error) else str(error)
    finally:
        lock.release()
    ResourceLock("TCPIP::test-lock::1::SOCKET", "meter").release()
    Path(lock.path).unlink()
    return f"bounded wait then {waited}; for ever: IO-ERROR naming it; lock file: {second}"


def visa_session(resource: FakeVisaResource, **options: Any) -> tuple[Session, list[Any]]:
    """A session over stand-in VISA calls, run in a worker as a vendor's library is."""
    clock, opened = SystemClock(), []

    def opener(_: float) -> VisaPort:
        opened.append(VisaPort(resource, clock, Worker(), "\n"))
        return opened[-1]

    merged = LinkOptions.model_validate({**LINK, "quiet_s": 0.005, **options})
    return Session("it", opener, merged, clock, clock, Trace(clock)), opened


def answering(answer: bytes = b"+1.2E+01\n") -> tuple[Any, Any]:
    """Write and read of a healthy message transport."""
    state = {"ese": b"0", "out": b""}

    def write(data: bytes) -> None:
        if data.startswith(b"*ESE "):
            state["ese"] = data.split()[1]
        elif data.startswith(b"*ESE?"):
            state["out"] = state["ese"] + b"\n"
        elif b"?" in data:
            state["out"] = answer

    def read() -> bytes:
        if not state["out"]:
            raise TimeoutError("timeout expired")
        out, state["out"] = state["out"], b""
        return out

    return write, read


def _locked(*, times: int) -> str:
    write, read = answering()
    left = [times]

    def locking(data: bytes) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise RuntimeError("device locked by another link")
        write(data)

    session, _ = visa_session(FakeVisaResource(locking, read), release_s=1.0)
    try:
        return told(session.query(READ))
    except AsleftError as error:
        return told(error)
    finally:
        session.close()


@case("F77", "Somebody else is driving it", due="REFUSED(settings changed from outside (dc-volts is '+1.00000000E+01', 100.0 was set)))",
      twin=lambda: _watched(changed=False), twin_due="settings as they were set")  # fmt: skip
def f77() -> str:
    return _watched(changed=True)


def _watched(*, changed: bool) -> str:
    with meter_on({}) as (meter, player, _):
        meter.set_dc_volts(expect_v=24.0)
        if changed:
            player.state["range"] = "10"
        try:
            meter.check_settings()
        except AsleftError as error:
            return told(error) + ")"
        return "settings as they were set"


@case("F78", "No life after a timeout; a clear that kills", due="reopened VALUE +1.2E+01; clear never sent unless allowed",
      twin=lambda: _usb(fault=False, clear=False)[0], twin_due="VALUE +1.2E+01")  # fmt: skip
def f78() -> str:
    outcome, cleared, opened = _usb(fault=True, clear=False)
    assert cleared == 0 and opened == 2
    # Where a clear is harmless it is the rung before a new connection.
    _, cleared, _ = _usb(fault=True, clear=True)
    assert cleared == 1
    return f"reopened {outcome}; clear never sent unless allowed"


def _usb(*, fault: bool, clear: bool) -> tuple[str, int, int]:
    write, read = answering()
    mute = [False]

    def muted_read() -> bytes:
        if mute[0]:
            raise TimeoutError("timeout expired")
        return bytes(read())

    resource = FakeVisaResource(write, muted_read)
    session, opened = visa_session(resource, clear=clear, late_s=0.1)
    assert session.query(READ) == "+1.2E+01"
    mute[0] = fault
    real_close = resource.close

    def close() -> None:
        mute[0] = False  # only a new connection brings it back
        real_close()

    resource.close = close  # type: ignore[method-assign]
    outcome = session.ask(READ, str, repeats=1)
    session.close()
    return f"VALUE {outcome}", resource.cleared, len(opened)


@case("F78b", "A library call that never returns", due="IO-ERROR(a call into the VISA library did not return), session abandoned",
      twin=lambda: _hanging(fault=False), twin_due="VALUE +1.2E+01")  # fmt: skip
def f78b() -> str:
    return _hanging(fault=True) + ", session abandoned"


def _hanging(*, fault: bool) -> str:
    write, read = answering()
    hang, release = [False], threading.Event()

    def hanging_read() -> bytes:
        if hang[0]:
            release.wait(5.0)
        return bytes(read())

    session, opened = visa_session(FakeVisaResource(write, hanging_read))
    session.query(READ)
    hang[0] = fault
    try:
        return told(session.query(READ, 0.05))
    except DeadlineError as error:
        assert opened[0]._worker.abandoned
        return told(error)
    finally:
        release.set()
        session.close()


@case("F79", "Handles leak", due="200 reconnects, at most one connection, handles flat",
      twin=lambda: _reconnects(0), twin_due="0 reconnects, at most one connection, handles flat")  # fmt: skip
def f79() -> str:
    return _reconnects(200)


def _reconnects(n: int) -> str:
    with session_on({READ: b"+1.2E+01\n"}, quiet_s=0.0005) as (session, server):
        session.query(READ)
        process = psutil.Process()
        before = process.num_fds()
        most = 0
        for _ in range(n):
            session.reopen(0.4)
            session.lose_step("reconnect")
            assert session.query(READ) == "+1.2E+01"
            most = max(most, server.open_now)
        flat = process.num_fds() <= before + 2
        assert most <= 2 and flat, (most, process.num_fds(), before)
        return f"{n} reconnects, at most one connection, handles flat"


@case("F80", "Serial echo", due="3 × VALUE +1.200E+01", twin=lambda: _serial(echo=False), twin_due="3 × VALUE +1.200E+01")
def f80() -> str:
    return _serial(echo=True)


def _serial(*, echo: bool, greeting: Any = None, **options: Any) -> str:
    with ScriptedSerial({READ: b"+1.200E+01\r\n"}, echo=echo, greeting=greeting) as line:
        session = link_to(line.address, late_s=0.5, **options)
        try:
            outcomes = {told(session.query(READ)) for _ in range(3)}
            assert len(outcomes) == 1, outcomes
            return f"3 × {outcomes.pop()}"
        finally:
            session.close()


@case("F81", "Control lines reset the device on open", due="3 × VALUE +1.200E+01",
      twin=lambda: _serial(echo=False), twin_due="3 × VALUE +1.200E+01")  # fmt: skip
def f81() -> str:
    # Deaf for a while after opening, then boot noise; the pause is in the dialect.
    return _serial(echo=False, greeting=[Pause(0.2), b"\x00\xffBOOT 1.0\r\n"], boot_s=0.3)


@case("F82", "A character lost in the middle", due="VALUE 12.34 each time, re-read where it jumps",
      twin=lambda: _lossy(lost=False), twin_due="VALUE 12.34 each time")  # fmt: skip
def f82() -> str:
    return _lossy(lost=True)


def _lossy(*, lost: bool) -> str:
    asked = [0]

    def every_tenth(_: str) -> bytes:
        asked[0] += 1
        return b"+2.34\n" if lost and asked[0] % 10 == 0 else b"+12.34\n"

    with meter_on({READ: every_tenth}) as (meter, _, _):
        object.__setattr__(meter, "_words", meter._words.model_copy(update={"lossy": True}))
        values = {meter.read_volts().value for _ in range(25)}
        assert values == {12.34}, values
        return "VALUE 12.34 each time" + (", re-read where it jumps" if asked[0] > 25 else "")


@case("F85", "Two threads, one session", due="0 of 2000 crossed", twin=lambda: _threads(1), twin_due="0 of 1000 crossed")
def f85() -> str:
    return _threads(2)


def _threads(n: int) -> str:
    with session_on({"V?": b"V\n", "A?": b"A\n"}, timeout_s=5.0) as (session, _):
        session.query("V?")
        crossed: list[str] = []

        def ask(letter: str) -> None:
            crossed.extend(
                found for _ in range(1000) if (found := session.query(f"{letter}?")) != letter
            )

        threads = [threading.Thread(target=ask, args=("VA"[i],)) for i in range(n)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return f"{len(crossed)} of {n * 1000} crossed"


@case("F86", "Too fast for the instrument", due="unpaced REFUSED, paced VALUE 1.5 A",
      twin=lambda: _hurried(fragile=False, pace_s=0.0), twin_due="VALUE 1.5 A")  # fmt: skip
def f86() -> str:
    unpaced = _hurried(fragile=True, pace_s=0.0)
    assert unpaced.startswith(("REFUSED", "IO-ERROR")), unpaced
    return f"unpaced REFUSED, paced {_hurried(fragile=True, pace_s=0.05)}"


def _hurried(*, fragile: bool, pace_s: float) -> str:
    player, last = Player(LOADS["rigol-dl3000"]), [0.0]

    def fussy(line: str) -> bytes | None:
        now_s = time.monotonic()
        hasty = now_s - last[0] < 0.03
        last[0] = now_s
        if fragile and hasty and not line.startswith("*ESE"):
            return None  # a message within 30 ms of the last one is lost
        return player(line)

    link = {**LINK, "pace_s": pace_s, "late_s": 0.15, "repeats": 0}
    with Scripted(fussy, nonce=False) as scripted:
        try:
            with opened_instrument(
                "load", scripted.address, "rigol-dl3000", SystemClock(), link=link, current_max="30 A"
            ) as load:
                load.set_current(1.5)
                return f"VALUE {float(player.state['amps']):g} A"
        except AsleftError as error:
            return told(error)


@case("F87", "Instrument restarted in between",
      due="meter set up again, VALUE 12; load REFUSED(it was restarted in between and has lost its settings)",
      twin=lambda: f"{_restarted_meter(pon=False)}; {_restarted_load(pon=False)}",
      twin_due="VALUE 12; VALUE on")  # fmt: skip
def f87() -> str:
    return f"meter set up again, {_restarted_meter(pon=True)}; load {_restarted_load(pon=True)}"


def _restarted_meter(*, pon: bool) -> str:
    esr = (b"128\n", b"128\n") if pon else b"0\n"
    with meter_on({"*ESR?": esr, READ: ([RST], b"+1.2E+01\n")}) as (meter, player, _):
        meter.set_dc_volts(expect_v=24.0)
        player.state.update(METER.state)  # power-on defaults
        outcome = told(meter.read_volts())
        assert player.state["range"] == ("100" if pon else "1000")
        return outcome


def _restarted_load(*, pon: bool) -> str:
    esr = (b"128\n", b"128\n") if pon else b"0\n"
    with load_on({"*ESR?": esr, "MEAS:CURR?": ([RST], b"+1.0E+00\n")}) as (load, _, _):
        load.set_current(1.0)
        load.input(True)
        try:
            load.read_amps()
        except AsleftError as error:
            return told(error)
        return "VALUE on"

