"""Section H, continued: what happens inside a VISA library (F76, F78)."""

from __future__ import annotations

import threading
from typing import Any

from runner.clock import SystemClock
from runner.errors import AsleftError, ConnectError, DeadlineError
from runner.link.lockfile import ResourceLock
from runner.link.options import LinkOptions
from runner.link.ports import VisaPort, Worker
from runner.link.session import Session
from runner.link.trace import Trace
from tests.faults.framing import READ
from tests.faults.harness import LINK, case, told
from tests.faults.stand_ins import FakeVisaResource


@case(
    "F76",
    "Locks",
    due="bounded wait then VALUE +1.2E+01; for ever: IO-ERROR naming it;"
    " lock file: second run refused",
    twin=lambda: _locked(times=0),
    twin_due="VALUE +1.2E+01",
)
def f76() -> str:
    waited = _locked(times=2)
    for_ever = _locked(times=10**6)
    assert for_ever.startswith("IO-ERROR(the VISA library reports: device locked"), for_ever
    lock = ResourceLock("TCPIP::test-lock::1::SOCKET", "meter")
    try:
        ResourceLock("tcpip::test-lock::1::socket", "meter")
        second = "taken twice"
    except ConnectError as error:
        second = (
            "second run refused" if "in use by another run (process" in str(error) else str(error)
        )
    finally:
        lock.release()
    ResourceLock("TCPIP::test-lock::1::SOCKET", "meter").release()
    assert not lock.path.exists()
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


@case(
    "F78",
    "No life after a timeout; a clear that kills",
    due="reopened VALUE +1.2E+01; clear never sent unless allowed",
    twin=lambda: _usb(fault=False, clear=False)[0],
    twin_due="VALUE +1.2E+01",
)
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


@case(
    "F78b",
    "A library call that never returns",
    due="IO-ERROR(a call into the VISA library did not return), session abandoned",
    twin=lambda: _hanging(fault=False),
    twin_due="VALUE +1.2E+01",
)
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
