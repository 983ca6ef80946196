"""Section E: what an oscilloscope's answers mean (F50 to F60)."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from runner.clock import VirtualClock
from runner.instruments.roles import ChannelSetup, TimebaseSetup, Trigger
from runner.instruments.waveforms import Scaling, ten_fields, ten_fields_offset_first
from tests.faults.framing import READ
from tests.faults.harness import Faulty, case, meter_on, scope_on, told
from tests.faults.plain import RECORD, SCOPE
from tests.faults.scope_setup import capture, set_up
from tests.instruments.bench_of import opened_instrument
from tests.instruments.scenarios import capture_of
from tests.instruments.scope_encoders import VOLTS
from tests.instruments.scopes import SCOPES
from tests.instruments.twin import Twin, definite, served
from tests.link.scripted import MUTE

PRE = "1,0,1000,1,+1.0E-05,-1.0E-03,0,+1.0E-05,+4.5E+00,32768"


def swing(captured: Any) -> str:
    """Peak to peak of a capture, or why there is none."""
    if not captured.valid:
        return told(captured)
    return f"VALUE {np.ptp(captured.v) * 1e3:.0f} mVpp"


def usual() -> str:
    return swing(capture({}))


@case(
    "F50",
    "Signed or unsigned",
    due="REFUSED in words; bytes of the other kind INVALID",
    twin=lambda: swing(capture_of("keysight-infiniivision", SCOPES["keysight-infiniivision"]())[0]),
    twin_due="VALUE 60 mVpp",
)
def f50() -> str:
    # The type is set and read back; a scope that keeps to signed samples is refused.
    stubborn = _twin_with({r"WAV:UNS\?": "0"}, "keysight-infiniivision")
    refused = told(capture_of("keysight-infiniivision", stubborn)[0])
    # One that says unsigned and sends signed is caught by its own mean.
    folded = told(capture({"WAV:DATA?": lambda _: definite(_codes() ^ 0x8000) + b"\n"}))
    assert refused.startswith("INVALID(wave-unsigned was not taken"), refused
    assert folded.startswith("INVALID(scaling"), folded
    return "REFUSED in words; bytes of the other kind INVALID"


class _Words(bytes):
    def __xor__(self, mask: int) -> bytes:
        return (np.frombuffer(self, ">u2") ^ np.uint16(mask)).astype(">u2").tobytes()


def _codes() -> _Words:
    return _Words(np.rint((RECORD - 4.5) / 1e-5 + 32768).astype(">u2").tobytes())


def _twin_with(asks: dict[str, Any], name: str) -> Twin:
    twin = SCOPES[name]()
    return replace(twin, asks={**asks, **{k: v for k, v in twin.asks.items() if k not in asks}})


@case(
    "F51",
    "Byte order",
    due="VALUE 60 mVpp in both orders; swapped in silence INVALID",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f51() -> str:
    scaling = Scaling([1, 0, 1, 1, 1e-5, 0, 0, 1.0, 0, 0], b"", {})
    big = ten_fields(np.frombuffer(b"\x01\x00", ">u2"), scaling).v
    little = ten_fields(np.frombuffer(b"\x00\x01", "<u2"), scaling).v
    assert big[0] == little[0] == 256.0
    swapped = told(
        capture(
            {"WAV:DATA?": definite(np.frombuffer(_codes(), ">u2").astype("<u2").tobytes()) + b"\n"}
        )
    )
    assert swapped.startswith("INVALID(scaling"), swapped
    return "VALUE 60 mVpp in both orders; swapped in silence INVALID"


@case(
    "F52",
    "Preamble: sign, order, formula",
    due="4.50 V by both formulas; wrong sign INVALID(scaling)",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f52() -> str:
    raw = np.array([137.0])
    first = ten_fields(raw, Scaling([0, 0, 1, 1, 1e-5, 0, 0, 0.01, 4.4, 127], b"", {})).v[0]
    second = ten_fields_offset_first(
        raw, Scaling([0, 0, 1, 1, 1e-5, 0, 0, 0.01, -440, 127], b"", {})
    ).v[0]
    assert math.isclose(first, 4.5) and math.isclose(second, 4.5)
    wrong = told(capture({"WAV:PRE?": PRE.replace("+4.5E+00", "-4.5E+00").encode() + b"\n"}))
    assert wrong.startswith("INVALID(scaling"), wrong
    return "4.50 V by both formulas; wrong sign INVALID(scaling)"


@case(
    "F53",
    "Data and preamble from different acquisitions",
    due="once VALUE 60 mVpp; always INVALID(the scope's scaling changes while its record is read)",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f53() -> str:
    old = PRE.replace("+1.0E-05,-1.0E-03", "+2.0E-05,-1.0E-03").encode() + b"\n"
    once = swing(capture({"WAV:PRE?": (old, "usual")}))
    turns = [0]

    def always(_: str) -> bytes:
        turns[0] += 1
        return PRE.replace("+1.0E-05,-1", f"+{turns[0]}.0E-05,-1").encode() + b"\n"

    return f"once {once}; always {told(capture({'WAV:PRE?': always}))}"


@case(
    "F54",
    "Single acquisition waits for ever",
    due="INVALID(no trigger came in time), stopped",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f54() -> str:
    with scope_on({"TRIG:STAT?": b"WAIT\n", "ACQ:NUMB?": b"0\n"}) as (scope, player, _):
        outcome = told(capture({}, scope, timeout_s=0.5))
        scope.errors()  # an answer, so that the stop has arrived
        assert "STOP" in player.log[-2:]
        return outcome + ", stopped"


@case(
    "F54b",
    "Nothing is answered once a single has begun, until somebody reconnects",
    due="INVALID(it did not arm (state idle)), reopened, not hung",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f54b() -> str:
    with scope_on({"SING": MUTE, "ACQ:NUMB?": b"0\n"}) as (scope, _, server):
        outcome = told(capture({}, scope, timeout_s=0.5))
        assert server.connections > 1 and server.open_now == 1
        return outcome + ", reopened, not hung"


@case(
    "F55",
    "Stopped without a trigger",
    due="INVALID(it did not arm (state idle)), armed twice",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f55() -> str:
    with scope_on({"TRIG:STAT?": b"STOP\n", "ACQ:NUMB?": b"7\n"}) as (scope, player, _):
        outcome = told(capture({}, scope))
        assert player.log.count("SING") == 2
        return outcome + ", armed twice"


@case(
    "F56",
    "The same waveform twice; all samples equal",
    due="counter stands: INVALID(it did not arm (state idle));"
    " no counter: INVALID(stale: the same record as before);"
    " INVALID(flat: all samples are equal)",
    twin=lambda: _two_captures("scpi-1999"),
    twin_due="VALUE 60 mVpp",
)
def f56() -> str:
    stands = told(capture({"ACQ:NUMB?": b"3\n", "TRIG:STAT?": b"STOP\n"}))
    stale = _two_captures("rigol-ds1000z")
    equal = definite(np.full(1000, 32768, ">u2").tobytes()) + b"\n"
    flat = told(capture({"WAV:DATA?": equal}, coupling="ac"))
    return f"counter stands: {stands}; no counter: {stale}; {flat}"


def _two_captures(name: str) -> str:
    twin = SCOPE() if name == "scpi-1999" else SCOPES[name]()
    with (
        served(twin) as (_, address),
        opened_instrument("scope", address, name, probes={"ch1": {"factor": 1.0}}) as scope,
    ):
        scope.setup([ChannelSetup("ch1", 0.16, 4.5)], TimebaseSetup(0.01, 1000), Trigger("line"))
        first, second = (scope.capture(1.0)["ch1"] for _ in range(2))
        assert first.valid
        return swing(second)


@case(
    "F58", "Probe factor", due="REFUSED(probe was not taken)", twin=usual, twin_due="VALUE 60 mVpp"
)
def f58() -> str:
    # The factor of the bench file is set and read back: 10X, 1.000E+01 and 10 are the same.
    for words in (b"10X", b"1.000E+01"):
        assert _probe_answers(words) == "taken"
    return _probe_answers(b"1X")


def _probe_answers(words: bytes) -> str:
    alone = "CHAN1:PROB 10;:CHAN1:PROB?"
    joined = (
        alone + ";:CHAN1:COUP DC;:CHAN1:COUP?;:CHAN1:BAND 20E6;:CHAN1:BAND?"
        ";:CHAN1:RANG 0.16;:CHAN1:RANG?;:CHAN1:OFFS 4.5;:CHAN1:OFFS?"
    )
    instead = {
        joined: words + b";DC;+2.00000000E+07;+1.60000000E-01;+4.50000000E+00\n",
        alone: words + b"\n",
        "CHAN1:PROB?": words + b"\n",
    }
    with scope_on(instead, probes={"ch1": {"factor": 10.0}}) as (scope, player, _):
        try:
            set_up(scope)
        except Exception as error:  # noqa: BLE001 - its kind is part of the outcome
            return told(error).split(" (")[0] + ")"
        assert player.asked[joined] == 1
    return "taken"


@case(
    "F59",
    "AC input not settled after a dc step",
    due="VALUE 0.005 V within 2 %",
    twin=lambda: _ac_after_step(0.0),
    twin_due="VALUE 0.005 V within 2 %",
)
def f59() -> str:
    # 30 V step through the 0.22 s of a dc-blocking input (a maker's guide, page 37).
    return _ac_after_step(30.0)


def _ac_after_step(step_v: float) -> str:
    clock = VirtualClock()
    begun = [0.0]

    def decaying(_: str) -> bytes:
        volts = 5e-3 + step_v * math.exp(-(clock.mono_s() - begun[0]) / 0.22)
        clock.sleep(1.0)  # an ac reading takes about a second
        return f"{volts:+.8E}\n".encode()

    with meter_on({READ: decaying}, clock) as (meter, _, _):
        begun[0] = clock.mono_s()
        value = meter.read_ac_volts(expect_v=0.05).value
        close = value is not None and abs(value - 5e-3) <= 0.02 * 5e-3
        return "VALUE 0.005 V within 2 %" if close else f"VALUE {value}"


@case(
    "F60",
    "Averaging not finished",
    due="VALUE 60 mVpp after completion",
    twin=usual,
    twin_due="VALUE 60 mVpp",
)
def f60() -> str:
    clock = VirtualClock()
    begun: list[float] = []

    def count(_: str) -> bytes:
        begun.append(clock.mono_s())
        return b"1\n" if clock.mono_s() - begun[0] > 3.0 else b"0\n"

    def state(_: str) -> bytes:
        return b"RUN\n" if clock.mono_s() - begun[0] <= 3.0 else b"STOP\n"

    with scope_on({"ACQ:NUMB?": count, "TRIG:STAT?": state}, clock) as (scope, player, _):
        set_up(scope, acquire="average", averages=256)
        captured = scope.capture()["ch1"]
        assert clock.mono_s() - begun[0] > 3.0
        assert isinstance(player, Faulty)
        return swing(captured) + " after completion"


@case(
    "F25b",
    "A record with a sample that is not a number",
    due="INVALID(clipped: some samples have no value)",
    twin=lambda: swing(capture_of("rs-rtb2000", SCOPES["rs-rtb2000"]())[0]),
    twin_due="VALUE 60 mVpp",
)
def f25b() -> str:
    def gapped(_: Any) -> bytes:
        volts = VOLTS.astype("<f4")
        volts[100] = 9.91e37
        return definite(volts.tobytes())

    return swing(capture_of("rs-rtb2000", _twin_with({r"CHAN1:DATA\?": gapped}, "rs-rtb2000"))[0])
