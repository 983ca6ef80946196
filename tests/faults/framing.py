"""Section A: framing of text replies (F01 to F14)."""

from __future__ import annotations

import time
from dataclasses import replace

from runner.clock import SystemClock
from runner.errors import AsleftError
from tests.faults.harness import (
    T_S,
    Faulty,
    case,
    load_on,
    meter_on,
    pieces,
    session_on,
    told,
)
from tests.faults.plain import METER
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import LOADS, SUPPLIES
from tests.instruments.twin import Player, served
from tests.link.scripted import Pause, Scripted

READ = "READ?"


def reading(answer: object, **more: object) -> str:
    """One reading of a meter that answers so."""
    with meter_on({READ: answer}, **more) as (meter, _, _):
        return told(meter.read_volts())


def healthy() -> str:
    return reading(b"+1.20000000E+01\n")


def _identity(answer: object, **options: object) -> str:
    with session_on({"*IDN?": answer}, **options) as (session, _):
        try:
            return told(session.query("*IDN?"))
        except AsleftError as error:
            return told(error)


@case(
    "F01",
    "No terminator on a raw socket",
    twin=lambda: _identity(b"ACME,LOAD,1,1.0\n"),
    due="IO-ERROR(no terminator), the bytes shown",
    twin_due="VALUE ACME,LOAD,1,1.0",
)
def f01() -> str:
    outcome = _identity(b"ACME,LOAD,1,1.0")
    # Told that replies have no end, the same instrument is understood.
    assert _identity(b"ACME,LOAD,1,1.0", read_end="", sync="none") == "VALUE ACME,LOAD,1,1.0"
    return (
        f"{outcome}, the bytes shown" if "ACME,LOAD" in _sentence(b"ACME,LOAD,1,1.0") else outcome
    )


def _sentence(answer: bytes) -> str:
    with session_on({"*IDN?": answer}) as (session, _):
        try:
            return session.query("*IDN?")
        except AsleftError as error:
            return str(error)


@case(
    "F01b",
    "Instrument waits for a line end that is not sent",
    due="refused with terminator, port and address named",
    twin=lambda: _who(write_end="\n"),
    twin_due="VALUE on",
)
def f01b() -> str:
    outcome = _who(write_end="")
    return (
        "refused with terminator, port and address named"
        if "end lines with" in outcome
        else outcome
    )


def _who(write_end: str) -> str:
    try:
        with load_on({}, link={"write_end": write_end, "late_s": 0.1}) as (load, _, _):
            load.input(True)
            return "VALUE on"
    except AsleftError as error:
        return str(error)


def _state_and_volts(end: bytes) -> str:
    with load_on({"INP?": b"OFF" + end, "MEAS:VOLT?": b"12.0" + end}) as (load, _, _):
        first, second = load.state(), load.state()
        assert first == second
        return f"{'on' if second.input_on else 'off'}, {told(load.read_volts())}"


@case(
    "F02",
    "Carriage return survives",
    due="off, VALUE 12",
    twin=lambda: _state_and_volts(b"\n"),
    twin_due="off, VALUE 12",
)
def f02() -> str:
    return _state_and_volts(b"\r\n")


@case(
    "F03",
    "Line end, then carriage return",
    due="off, VALUE 12",
    twin=lambda: _state_and_volts(b"\n"),
    twin_due="off, VALUE 12",
)
def f03() -> str:
    return _state_and_volts(b"\n\r")


@case(
    "F04",
    "NUL bytes after the line end",
    due="VALUE 1, VALUE 1, padding counted",
    twin=lambda: _twice(b"+1.0E+00\n"),
    twin_due="VALUE 1, VALUE 1",
)
def f04() -> str:
    return _twice(b"+1.0E+00\n\0")


def _twice(answer: bytes) -> str:
    with meter_on({READ: answer}) as (meter, _, _):
        outcome = f"{told(meter.read_volts())}, {told(meter.read_volts())}"
        counts = meter._session.counts
        padded = counts.padding_bytes or counts.unasked_bytes
        return outcome + (", padding counted" if padded else "")


@case(
    "F05",
    "Doubled line end",
    due="VALUE 1, VALUE 1, padding counted",
    twin=lambda: _twice(b"+1.0E+00\n"),
    twin_due="VALUE 1, VALUE 1",
)
def f05() -> str:
    outcome = _twice(b"+1.0E+00\n\n")
    # The same when the second line end comes late, in a segment of its own.
    assert _twice_late() == "VALUE 1, VALUE 1"
    return outcome


def _twice_late() -> str:
    with meter_on({READ: [b"+1.0E+00\n", Pause(0.03), b"\n"]}) as (meter, _, _):
        return f"{told(meter.read_volts())}, {told(meter.read_volts())}"


@case(
    "F06",
    "No terminator, fixed length, one stray byte",
    due="VALUE 12 V, limit 0.5 A taken",
    twin=lambda: _korad(stray=False),
    twin_due="VALUE 12 V, limit 0.5 A taken",
)
def f06() -> str:
    # Without such a dialect: refused, and the bytes shown.
    assert "received '12.00'" in _sentence(b"12.00")
    return _korad(stray=True)


def _korad(*, stray: bool) -> str:
    twin = SUPPLIES["korad-ka3005p"]
    if not stray:
        asks = {**twin.asks, r"ISET1\?": lambda s: f"{float(s['amps']):.3f}"}
        twin = replace(twin, asks=asks)
    link = {"quiet_s": 0.05, "pace_s": 0.05, "late_s": 0.1}
    with (
        served(twin) as (_, address),
        opened_instrument("supply", address, "korad-ka3005p", SystemClock(), link=link) as supply,
    ):
        supply.set_voltage(12.0)
        supply.set_current_limit(0.5)
        return f"{told(supply.panel_volts())} V, limit 0.5 A taken"


@case(
    "F07",
    "One reply in many segments",
    due="VALUE ACME,LOAD,77,1.0",
    twin=lambda: _identity(b"ACME,LOAD,77,1.0\n"),
    twin_due="VALUE ACME,LOAD,77,1.0",
)
def f07() -> str:
    text = b"ACME,LOAD,77,1.0\n"
    single = pieces(*(text[i : i + 1] for i in range(len(text))), gap_s=0.005)
    assert _identity(single) == "VALUE ACME,LOAD,77,1.0"
    parts = pieces(b"ACME", b",", b"LOAD", b",", b"77", b",", b"1.0", b"\n", gap_s=0.01)
    return _identity(parts)


@case(
    "F09",
    "Two replies in one segment",
    due="IO-ERROR(more than one answer came ('+2.0' is too much))",
    twin=lambda: _two(b"+1.0\n"),
    twin_due="VALUE +1.0, then VALUE +3.0",
)
def f09() -> str:
    return _two(b"+1.0\n+2.0\n")


def _two(first: bytes) -> str:
    with session_on({"A?": first, "B?": b"+3.0\n"}) as (session, _):
        try:
            outcome = told(session.query("A?"))
        except AsleftError as error:
            outcome = told(error)
        second = told(session.query("B?"))
        assert second == "VALUE +3.0"  # never the surplus of the first
        return outcome if outcome.startswith("IO") else f"{outcome}, then {second}"


@case(
    "F09b",
    "Compound reply with a part missing",
    due="INVALID(6 values were due for 'MEAS:ALL?', found '230.0,0.2')",
    twin=lambda: _mains(b"230.0,0.2,30.0,45.0,0.7,50.0\n"),
    twin_due="VALUE 230",
)
def f09b() -> str:
    return _mains(b"230.0,0.2\n")


def _mains(answer: bytes) -> str:
    script = {"MEAS:ALL?": answer, "*IDN?": b"ACME,PM,1,1\n"}
    with (
        Scripted(script) as scripted,
        opened_instrument("mains-meter", scripted.address, "scpi-1999") as meter,
    ):
        return told(meter.read_mains()["line-voltage"])


@case(
    "F10",
    "Only the first command of a packet is executed",
    due="unpaced REFUSED(slew was not taken (':CURR:SLEW:NEG 0.2' should give 200000.0, it answers"
    " '0.500')), paced VALUE",
    twin=lambda: _packet(first_line_only=False, pace_s=0.0),
    twin_due="VALUE",
)
def f10() -> str:
    unpaced = _packet(first_line_only=True, pace_s=0.0)
    return f"unpaced {unpaced}, paced {_packet(first_line_only=True, pace_s=0.05)}"


def _packet(*, first_line_only: bool, pace_s: float) -> str:
    player = Player(LOADS["siglent-sdl"])
    link = {"pace_s": pace_s, "timeout_s": T_S, "late_s": 0.2, "repeats": 1}
    with Scripted(player, nonce=False, first_line_only=first_line_only) as scripted:
        try:
            with opened_instrument(
                "load", scripted.address, "siglent-sdl", SystemClock(), link=link
            ) as load:
                load._set("slew", 2e5)
                return "VALUE"
        except AsleftError as error:
            return told(error)


@case(
    "F11",
    "Bytes never stop",
    due="INVALID(no terminator) within the deadline",
    twin=healthy,
    twin_due="VALUE 12",
)
def f11() -> str:
    begun_s = time.monotonic()
    endless = pieces(*([b"9"] * 40), gap_s=0.02)
    outcome = reading(endless, link={"repeats": 0})
    took_s = time.monotonic() - begun_s
    assert took_s < 4.0, took_s
    assert outcome == "INVALID(no terminator)", outcome
    return outcome + " within the deadline"


@case(
    "F12",
    "Unsolicited line before the answer",
    due="VALUE 1, repeated once",
    twin=lambda: _counted(b"+1.0E+00\n"),
    twin_due="VALUE 1",
)
def f12() -> str:
    return _counted((b"WARNING: fan\n+1.0E+00\n", b"+1.0E+00\n"))


def _counted(answer: object) -> str:
    with meter_on({READ: answer}) as (meter, _, _):
        outcome = told(meter.read_volts())
        repeats = meter._session.counts.repeats
        return outcome + (", repeated once" if repeats == 1 else "")


@case(
    "F12b",
    "Banner and prompt of the port for people",
    due="refused with the port named",
    twin=lambda: _greeted(b""),
    twin_due="VALUE 12",
)
def f12b() -> str:
    # A banner alone is thrown away; a prompt before each answer means the wrong port.
    assert _greeted(b"Welcome to ACME\r\n") == "VALUE 12"
    return _prompting()


def _greeted(banner: bytes) -> str:
    return reading(b"+1.2E+01\n", greeting=banner or None)


def _prompting() -> str:
    player = Faulty(METER, {})

    def prompted(line: str) -> bytes:
        answer = player.reply(line)
        return (answer if isinstance(answer, bytes) else b"") + b"SCPI> "

    with Scripted(prompted, nonce=False, greeting=b"Welcome\r\nSCPI> ") as scripted:
        try:
            with opened_instrument("meter", scripted.address, "scpi-1999", link={"late_s": 0.1}):
                return "opened"
        except AsleftError as error:
            assert "port for people" in str(error)
            return "refused with the port named"


@case(
    "F13",
    "Byte that is no ASCII",
    due="INVALID(unit '\\xa6\\xb8' (hex a6 b8) where V was due), then VALUE 12",
    twin=healthy,
    twin_due="VALUE 12",
)
def f13() -> str:
    with meter_on({READ: (b"12.34 \xa6\xb8\n", b"+1.2E+01\n")}) as (meter, _, _):
        return f"{told(meter.read_volts())}, then {told(meter.read_volts())}"


@case(
    "F14",
    "Empty reply",
    due="VALUE 1, repeated once; always empty INVALID(empty reply)",
    twin=healthy,
    twin_due="VALUE 12",
)
def f14() -> str:
    once = _counted((b"\n", b"+1.0E+00\n"))
    always = reading(b"\n")
    assert always == "INVALID('READ?': empty reply)", always
    return f"{once}; always empty INVALID(empty reply)"
