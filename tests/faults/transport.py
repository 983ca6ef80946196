"""Section H: connection and transport (F71 to F87)."""

from __future__ import annotations

import socket
import threading
import time
from typing import Any

import psutil

from runner.clock import SystemClock
from runner.errors import AsleftError
from tests.faults.framing import READ, healthy
from tests.faults.harness import LINK, Faulty, case, link_to, load_on, meter_on, session_on, told
from tests.faults.plain import METER
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


@case(
    "F71",
    "Open succeeds on nothing",
    due="closed port: refused; backlog: in use?; closed at once: said so",
    twin=healthy,
    twin_due="VALUE 12",
)
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


@case(
    "F71b",
    "The only slot is freed late",
    due="VALUE 12 after waiting for the release",
    twin=healthy,
    twin_due="VALUE 12",
)
def f71b() -> str:
    with Scripted(METER_SCRIPT(), nonce=False) as server:
        server.refuse = True
        threading.Timer(0.3, lambda: setattr(server, "refuse", False)).start()
        outcome = opening(server.address, release_s=2.0)
        return f"{outcome} after waiting for the release"


@case(
    "F74",
    "Idle drop",
    due="VALUE 12 then VALUE 12, reopened once",
    twin=lambda: _after_idle(None),
    twin_due="VALUE 12 then VALUE 12",
)
def f74() -> str:
    silent = _after_idle(MUTE)
    assert silent == _after_idle(RST)
    return silent


def _after_idle(fault: str | None) -> str:
    # 300 s idle in the field; scaled to the session's own idle limit of 0.1 s.
    with meter_on(
        {READ: ([b"+1.2E+01\n", fault] if fault else b"+1.2E+01\n", b"+1.2E+01\n")},
        link={"idle_check_s": 0.1, "late_s": 0.15},
    ) as (meter, _, server):
        first = told(meter.read_volts())
        meter._session.wait(0.2)
        second = told(meter.read_volts())
        reopened = ", reopened once" if server.connections == 2 else ""
        return f"{first} then {second}{reopened}"


@case(
    "F75",
    "Peer stops reading",
    due="IO-ERROR(the instrument did not take the message in time)",
    twin=lambda: _large_write(reading=True),
    twin_due="VALUE written",
)
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


@case(
    "F77",
    "Somebody else is driving it",
    due="REFUSED(settings changed from outside (dc-volts is '+1.00000000E+01', 100.0 was set)))",
    twin=lambda: _watched(changed=False),
    twin_due="settings as they were set",
)
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


@case(
    "F79",
    "Handles leak",
    due="1000 reconnects, at most one connection, handles flat",
    twin=lambda: _reconnects(0),
    twin_due="0 reconnects, at most one connection, handles flat",
)
def f79() -> str:
    return _reconnects(1000)


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


@case(
    "F80",
    "Serial echo",
    due="3 × VALUE +1.200E+01",
    twin=lambda: _serial(echo=False),
    twin_due="3 × VALUE +1.200E+01",
)
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


@case(
    "F81",
    "Control lines reset the device on open",
    due="3 × VALUE +1.200E+01",
    twin=lambda: _serial(echo=False),
    twin_due="3 × VALUE +1.200E+01",
)
def f81() -> str:
    # Deaf for a while after opening, then boot noise; the pause is in the dialect.
    return _serial(echo=False, greeting=[Pause(0.2), b"\x00\xffBOOT 1.0\r\n"], boot_s=0.3)


@case(
    "F82",
    "A character lost in the middle",
    due="VALUE 12.34 each time, re-read where it jumps",
    twin=lambda: _lossy(lost=False),
    twin_due="VALUE 12.34 each time",
)
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


@case(
    "F85",
    "Two threads, one session",
    due="0 of 10000 crossed",
    twin=lambda: _threads(1),
    twin_due="0 of 5000 crossed",
)
def f85() -> str:
    return _threads(2)


EACH = 5000
"""Questions of each thread."""


def _threads(n: int) -> str:
    with session_on({"V?": b"V\n", "A?": b"A\n"}, timeout_s=5.0) as (session, _):
        session.query("V?")
        found: list[tuple[str, str]] = []

        def ask(letter: str) -> None:
            found.extend((letter, session.query(f"{letter}?")) for _ in range(EACH))

        threads = [threading.Thread(target=ask, args=("VA"[i],)) for i in range(n)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        crossed = sum(asked != answered for asked, answered in found)
        return f"{crossed} of {len(found)} crossed"


@case(
    "F86",
    "Too fast for the instrument",
    due="unpaced REFUSED, paced VALUE 1.5 A",
    twin=lambda: _hurried(fragile=False, pace_s=0.0),
    twin_due="VALUE 1.5 A",
)
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
                "load",
                scripted.address,
                "rigol-dl3000",
                SystemClock(),
                link=link,
                current_max="30 A",
            ) as load:
                load.set_current(1.5)
                return f"VALUE {float(player.state['amps']):g} A"
        except AsleftError as error:
            return told(error)


@case(
    "F86b",
    "A flood ends in refused connections for a while",
    due="unpaced IO-ERROR, 12 × VALUE 12 after the wait; paced 12 × VALUE 12",
    twin=lambda: _flooded(fragile=False, pace_s=0.0),
    twin_due="12 × VALUE 12",
)
def f86b() -> str:
    unpaced = _flooded(fragile=True, pace_s=0.0)
    return f"unpaced {unpaced}; paced {_flooded(fragile=True, pace_s=0.03)}"


def _flooded(*, fragile: bool, pace_s: float) -> str:
    """Twelve readings in a row of a meter that bears one message each 20 ms, eight at most."""
    player, times = Faulty(METER, {READ: b"+1.2E+01\n"}), [0.0]
    with Scripted(player.reply, nonce=False) as scripted:

        def fussy(line: str) -> Any:
            times.append(time.monotonic())
            if fragile and len(times) > 8 and times[-1] - times[-8] < 8 * 0.02:
                scripted.refuse = True
                return RST
            return player.reply(line)

        scripted.script = fussy
        link = {**LINK, "pace_s": pace_s, "late_s": 0.15, "repeats": 0}
        try:
            return _twelve(scripted.address, link)
        except AsleftError as error:
            assert "refused" in str(error) or "closed" in str(error), error
        scripted.refuse, times[:] = False, [0.0]
        return f"IO-ERROR, {_twelve(scripted.address, {**link, 'pace_s': 0.03})} after the wait"


def _twelve(address: str, link: dict[str, Any]) -> str:
    clock = SystemClock()
    with opened_instrument("meter", address, "scpi-1999", clock, link=link) as meter:
        assert {told(meter.read_volts()) for _ in range(12)} == {"VALUE 12"}
        return "12 × VALUE 12"


@case(
    "F87",
    "Instrument restarted in between",
    due="meter set up again, VALUE 12;"
    " load REFUSED(it was restarted in between and has lost its settings)",
    twin=lambda: f"{_restarted_meter(pon=False)}; {_restarted_load(pon=False)}",
    twin_due="VALUE 12; VALUE on",
)
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
