"""Strictness of the SCPI layer: IEEE 488.2 and SCPI-1999 rules (topic named at each test)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.sim_instruments.bench_fakes import Talk, toy


@pytest.mark.parametrize(
    ("message", "number"),
    [
        # IEEE 488.2 / SCPI-1999 vol. 2, 21.8: which fault earns which number
        ("FOO 1", -113),
        ("VOLTA 1", -113),
        ("VOLT1 1", -113),
        ("CHAN5:SCAL 1", -114),
        ("CHAN0:SCAL 1", -114),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("VOLT ON", -141),
        ('VOLT "1"', -158),
        ("VOLT #1A", -161),
        ("VOLT #13ABCD", -161),
        ("VOLT #13ABC", -168),
        ("VOLT #111", -168),
        ("VOLT (1)", -178),
        ("VOLT 1 A", -131),
        ("VOLT 1 XV", -131),
        ("OUTP 1 V", -138),
        ("VOLT 1 MMMMMMMMMMMMMMV", -134),
        ("VOLT 1E40000", -123),
        ("VOLT " + "1" * 256, -124),
        ("VOLT 1.2.3", -121),
        ("VOLT 31", -222),
        ("VOLT -1", -222),
        ("VOLT 1E300", -222),
        ("TRIG:SOUR NEVER", -141),
        ("TRIG:SOUR 3", -128),
        ("OUTP MAYBE", -141),
        ("ABCDEFGHIJKLM 1", -112),
        ("VOLT,1", -111),
        (";VOLT 1", -102),
        ("VOLT 1;;OUTP 1", -102),
        ("\xe9VOLT 1", -101),
        ("*FOO", -113),
        (":*CLS", -110),
        ("MEAS:VOLT 1", -113),
        ("TRIG:SOUR ABCDEFGHIJKLM", -144),
    ],
)
def test_fault_and_number(message: str, number: int) -> None:
    talk = Talk(toy())
    assert talk.ask("*ESR?") == "128"  # power on, then cleared by reading
    talk.write(message)
    assert talk.read() == b""
    assert talk.errors() == [number]
    assert talk.ask("*ESR?") == ("32" if number > -200 else "16")


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        # check-values T6-01, T6-02: forms of decimal and non-decimal numbers
        ("12", 12.0),
        ("+12.5", 12.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("5e-3", 5e-3),
        ("1.2300E+01", 12.3),
        ("#HA", 10.0),
        ("#Q12", 10.0),
        ("#B01010", 10.0),
        ("20 mV", 0.02),
        ("20MV", 0.02),
        ("3 uV", 3e-6),
        ("0.02 KV", 20.0),
        ("MIN", 0.0),
        ("MAXimum", 30.0),
        ("def", 1.0),
    ],
)
def test_numbers(text: str, volts: float) -> None:
    talk = Talk(toy())
    talk.write(f"VOLT {text}")
    assert float(talk.ask("VOLT?")) == pytest.approx(volts, rel=1e-12)
    assert talk.errors() == []


def test_mega_ohm_but_milli_volt() -> None:
    """IEEE 488.2, 7.7.3: M is milli, but MOHM and MHZ are mega."""
    talk = Talk(toy())
    talk.write("RES 2 MOHM")
    assert float(talk.ask("RES?")) == 2e6


def test_limits_can_be_asked() -> None:
    talk = Talk(toy())
    assert talk.ask("VOLT? MAX") == "+3.00000000E+01"
    assert talk.ask("VOLT? MIN;:VOLT?") == "+0.00000000E+00;+1.00000000E+00"
    assert talk.ask("VOLT? UP") == ""
    assert talk.errors() == [-108]


def test_compound_answers_come_in_one_line() -> None:
    talk = Talk(toy())
    assert talk.ask("MEAS:VOLT?;CURR?;*ESE?") == "+1.20000000E+01;+3.00000000E+00;0"
    assert talk.read(0.1) == b""


def test_command_error_ends_the_message_execution_error_does_not() -> None:
    talk = Talk(toy())
    talk.write("VOLT 2;FOO 1;VOLT 3")
    assert talk.ask("VOLT?") == "+2.00000000E+00"
    talk.write("VOLT 99;OUTP ON")
    assert talk.ask("OUTP?") == "1"
    assert talk.errors() == [-113, -222]


def test_queue_is_first_in_first_out_and_overflows_into_350() -> None:
    """SCPI-1999 vol. 2, 21.8.1; check-values T6-08."""
    talk = Talk(toy())
    for _ in range(25):
        talk.write("FOO")
    numbers = talk.errors()
    assert len(numbers) == 20
    assert numbers == [-113] * 19 + [-350]


def test_status_byte() -> None:
    """IEEE 488.2, 11.2; check-values T6-10."""
    talk = Talk(toy())
    talk.ask("*ESR?")
    talk.write("*ESE 32;*SRE 32")
    assert talk.ask("*STB?") == "0"
    talk.write("FOO")
    assert talk.ask("*STB?") == str(4 + 32 + 64)
    assert talk.ask("MEAS:VOLT?;*STB?").endswith(";" + str(4 + 16 + 32 + 64))
    talk.write("*CLS")
    assert talk.ask("*STB?;*ESE?;*SRE?") == "0;32;32"


def test_indefinite_answer_must_be_last() -> None:
    """IEEE 488.2, 6.5.7.5: -440 after the arbitrary text of *IDN?."""
    talk = Talk(toy())
    assert talk.ask("*IDN?;VOLT?") == "Norvane,TY-1,0,1.0"
    assert talk.errors() == [-440]
    assert talk.ask("VOLT?;*IDN?") == "+1.00000000E+00;Norvane,TY-1,0,1.0"


def test_interrupted_and_unterminated_on_a_message_based_link() -> None:
    """IEEE 488.2, 6.3.2: -410 and -420."""
    talk = Talk(toy(), message_based=True)
    talk.write("MEAS:VOLT?")
    talk.write("MEAS:CURR?")
    assert talk.read() == b"+3.00000000E+00\n"
    assert talk.errors() == [-410]
    talk.exchange.nothing_to_read()
    assert talk.errors() == [-420]
    assert talk.ask("*ESR?") == str(128 + 4)


def test_stream_answers_in_order() -> None:
    talk = Talk(toy())
    talk.write("MEAS:VOLT?\nMEAS:CURR?")
    assert talk.read(0.0) + talk.read() == b"+1.20000000E+01\n+3.00000000E+00\n"


def test_slow_query_lets_bench_time_pass() -> None:
    talk = Talk(toy())
    before_s = talk.instrument.now_s
    assert talk.ask("SLOW?;VOLT?") == "7;+1.00000000E+00"
    assert talk.instrument.now_s - before_s == pytest.approx(1.0, abs=0.01)


def test_reset_and_clear() -> None:
    talk = Talk(toy())
    talk.write("VOLT 5;*ESE 4;CHAN3:SCAL 2;*RST")
    assert talk.ask("VOLT?;*ESE?;:CHAN3:SCAL?") == "+1.00000000E+00;4;+1.00000000E+00"


def test_message_bytes_may_come_in_parts() -> None:
    talk = Talk(toy())
    for byte in b"MEAS:VO":
        talk.exchange.receive(bytes([byte]))
    assert talk.ask("LT?") == "+1.20000000E+01"


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=80))
def test_no_bytes_stop_the_parser(data: bytes) -> None:
    talk = Talk(toy())
    talk.exchange.receive(data)
    talk.read(2.0)
    talk.exchange.device_clear()
    talk.errors()
    assert talk.ask("MEAS:VOLT?") == "+1.20000000E+01"


PARTS = [
    "VOLT", "OUTP", "CHAN2:SCAL", "*CLS", "*ESE?", "MEAS:VOLT?", "TRIG:SOUR", "BUS", "1", " ",
    ";", ":", ",", "?", "#", "#13abc", "(", ")", '"', "'", "MV", "1E5", "-.5", "\n", "\r", "\0",
]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(st.sampled_from(PARTS), max_size=12).map("".join))
def test_no_near_miss_stops_the_parser(text: str) -> None:
    talk = Talk(toy())
    talk.write(text)
    talk.read(2.0)
    talk.exchange.device_clear()
    talk.errors()
    assert talk.ask("*ESE?") != ""
