"""Every bad manner of the field that a byte stream can show, as a rule and the bytes that come.

F-numbers: the project's collection of bugs met when programs drive bench instruments; the bytes in
each row are the ones reported there.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim_instruments.rudeness import KINDS, Rule, parse_rule
from tests.sim_instruments.bench_fakes import Talk, memory_bench, toy

V, A = b"+1.20000000E+01", b"+3.00000000E+00"
NO_ERROR = b'0,"No error"\n'

# (case, rules, [(command, bytes that come within 10 s)])
CASES = [
    ("F01 no terminator", [r"tail:text="], [("MEAS:VOLT?", V)]),
    ("F02 CR LF", [r"tail:text=\r\n"], [("OUTP?", b"0\r\n")]),
    ("F03 LF CR", [r"tail:text=\n\r"], [("OUTP?", b"0\n\r")]),
    ("F04 NUL after LF", [r"tail:text=\n\0"], [("MEAS:VOLT?", V + b"\n\0")]),
    ("F05 doubled LF", [r"tail:text=\n\n"], [("MEAS:VOLT?", V + b"\n\n")]),
    ("F06 sixth byte", [r"say:match=MEAS:CURR?,text=1.000K", r"tail:text="],
     [("MEAS:CURR?", b"1.000K")]),
    ("F07 segments", ["segments:size=1,gap=30ms"], [("*IDN?", b"Norvane,TY-1,0,1.0\n")]),
    ("F09a second reply in the segment", ["more:query=1,text=+2.0"],
     [("MEAS:VOLT?", V + b"\n+2.0\n"), ("MEAS:CURR?", A + b"\n")]),
    ("F09b part missing", ["cut-fields:match=*;*,keep=1"], [("MEAS:VOLT?;CURR?", V + b";\n")]),
    ("F12 unasked line", [r"junk:query=1,text=WARNING: fan"],
     [("MEAS:VOLT?", b"WARNING: fan\n" + V + b"\n")]),
    ("F13 not ASCII", [r"say:text=12.34 \xa6\xb8"], [("MEAS:VOLT?", b"12.34 \xa6\xb8\n")]),
    ("F14 empty reply", ["say:query=1,text="], [("MEAS:VOLT?", b"\n"), ("MEAS:VOLT?", V + b"\n")]),
    ("F19 not taught", ["untaught:match=MEAS:CURR?"],
     [("MEAS:CURR?", b""), ("SYST:ERR?", b'-113,"Undefined header"\n')]),
    ("F22 every second swallowed", ["mute:every=2"],
     [("MEAS:VOLT?", V + b"\n"), ("MEAS:VOLT?", b""), ("MEAS:VOLT?", V + b"\n")]),
    ("F23 one junk answer", ["say:query=1,text=+0"], [("MEAS:VOLT?", b"+0\n"), ("OUTP?", b"0\n")]),
    ("F24 overload", ["say:text=-9.90000000E+37"], [("MEAS:VOLT?", b"-9.90000000E+37\n")]),
    ("F24 overload in a list", [r"say:text=+1.2E+01\x2c+9.9E+37\x2c+1.2E+01"],
     [("MEAS:VOLT?", b"+1.2E+01,+9.9E+37,+1.2E+01\n")]),
    ("F25 not a number", ["say:text=9.91000000E+37"], [("MEAS:VOLT?", b"9.91000000E+37\n")]),
    ("F26 own overload", ["say:text=1.000000E+09"], [("MEAS:VOLT?", b"1.000000E+09\n")]),
    ("F27 dashes", ["say:text=----"], [("MEAS:VOLT?", b"----\n")]),
    ("F29 units", ["say:text=500mV"], [("MEAS:VOLT?", b"500mV\n")]),
    ("F31 malformed", ["say:text=-0.-1"], [("MEAS:VOLT?", b"-0.-1\n")]),
    ("F32 header echoed", ["head:text=:MEASURE:VOLTAGE "],
     [("MEAS:VOLT?", b":MEASURE:VOLTAGE " + V + b"\n")]),
    ("F33 boolean dress", ["say:match=OUTP?,text=0.00000e+00"], [("OUTP?", b"0.00000e+00\n")]),
    ("F34 error for ever", [r"say:match=SYST:ERR?,text=-113\x2c" + '"Undefined header"'],
     [("SYST:ERR?", b'-113,"Undefined header"\n')] * 3),
    ("F34 spelt otherwise", [r"say:match=SYST:ERR?,text=+0\x2c" + '"No error"'],
     [("SYST:ERR?", b'+0,"No error"\n')]),
    ("F35 no error query", ["deaf:match=SYST:ERR?"], [("SYST:ERR?", b"")]),
    ("F37 odd identity", [r"say:match=*IDN?,text=\xff"], [("*IDN?", b"\xff\n")]),
    ("F38 OPC answers 0", ["say:match=[*]OPC?,text=0"], [("*OPC?", b"0\n")] * 2),
    ("F38 OPC at once", ["instead:match=[*]OPC?,text=1"], [("*OPC?", b"1\n")]),
    ("F38 OPC unknown", ["untaught:match=[*]OPC?"],
     [("*OPC?", b""), ("SYST:ERR?", b'-113,"Undefined header"\n')]),
    ("F82 lost character", ["drop:every=2,byte=1"],
     [("MEAS:VOLT?", V + b"\n"), ("MEAS:VOLT?", b"+.20000000E+01\n")]),
    ("F80 echo", ["echo"], [("OUTP?", b"OUTP?\n0\n")]),
    ("doubled line", ["double"], [("OUTP?", b"0\n0\n")]),
]  # fmt: skip


def everything(talk: Talk, command: str) -> bytes:
    """All that comes within 10 s of a command."""
    talk.write(command)
    end_s = talk.instrument.now_s + 10.0
    got = talk.read(10.0)
    while talk.instrument.now_s < end_s:
        more = talk.read(end_s - talk.instrument.now_s)
        if not more:
            break
        got += more
    return got


@pytest.mark.parametrize(("case", "rules", "dialogue"), CASES, ids=[c[0] for c in CASES])
def test_field_case(case: str, rules: list[str], dialogue: list[tuple[str, bytes]]) -> None:
    talk = Talk(toy(), rules)
    for command, reply in dialogue:
        assert everything(talk, command) == reply


def test_polite_without_rules() -> None:
    talk = Talk(toy())
    assert everything(talk, "SYST:ERR?") == NO_ERROR


def test_f11_bytes_never_stop() -> None:
    talk = Talk(toy(), ["endless:byte=9,gap=50ms"])
    talk.write("MEAS:VOLT?")
    got = talk.read(5.0)
    assert set(got) == set(b"9")
    assert 95 <= len(got) <= 101


def test_f15_late_reply_comes_after_the_timeout() -> None:
    talk = Talk(toy(), ["late:query=1,by=1.2s"])
    talk.write("*OPC?")
    assert talk.read(0.5) == b""
    talk.write("MEAS:VOLT?")
    assert talk.read(2.0) == b"1\n" + V + b"\n"


def test_f18_new_message_discards_the_answer() -> None:
    talk = Talk(toy(), ["interrupts"])
    talk.write("MEAS:VOLT?")
    talk.write("MEAS:CURR?")
    assert talk.read() == A + b"\n"
    assert talk.errors() == [-410]


def test_f20_wedged_until_reconnected() -> None:
    talk = Talk(toy(), ["wedge:match=SLOW?,times=1"])
    assert talk.ask("SLOW?") == ""
    assert talk.ask("MEAS:VOLT?") == ""
    talk.reconnect()
    assert talk.ask("MEAS:VOLT?") == V.decode()


def test_f10_only_the_first_line_of_a_packet() -> None:
    talk = Talk(toy(), ["one-line"])
    talk.exchange.receive(b"VOLT 5\nOUTP ON\n")
    assert talk.ask("OUTP?") == "0"
    assert float(talk.ask("VOLT?")) == 5.0


def test_f39_deaf_after_reset() -> None:
    talk = Talk(toy(), ["slow-reset:by=8s"])
    talk.write("*RST")
    talk.write("VOLT 5")
    assert talk.ask("MEAS:VOLT?") == ""
    talk.instrument.clock.sleep(9.0)
    assert float(talk.ask("VOLT?")) == 1.0


def test_f70_needs_remote() -> None:
    talk = Talk(toy(), ["needs-remote:error=550"])
    talk.write("VOLT 5")
    assert talk.ask("SYST:ERR?").startswith("550,")
    assert float(talk.ask("VOLT?")) == 1.0
    talk.write("SYST:REM")
    talk.write("VOLT 5")
    assert float(talk.ask("VOLT?")) == 5.0


def test_f74_idle_connection_goes_mute() -> None:
    talk = Talk(toy(), ["idle:limit=300s"])
    assert talk.ask("MEAS:VOLT?") != ""
    talk.instrument.clock.sleep(301.0)
    assert talk.ask("MEAS:VOLT?") == ""
    talk.reconnect()
    assert talk.ask("MEAS:VOLT?") != ""


def test_f77_somebody_else_at_the_panel() -> None:
    talk = Talk(toy(), ["outside:at=20s,send=VOLT 7"])
    assert float(talk.ask("VOLT?")) == 1.0
    talk.instrument.clock.sleep(21.0)
    assert float(talk.ask("VOLT?")) == 7.0
    talk.write("VOLT 2")
    assert float(talk.ask("VOLT?")) == 2.0


def test_f81_deaf_after_opening_then_boot_noise() -> None:
    talk = Talk(toy(), [r"banner:text=\x00\xffBOOT 1.0\r\n", "slow-connect:by=2s"])
    assert talk.read() == b"\x00\xffBOOT 1.0\r\n"
    begun = talk.instrument.now_s
    assert talk.ask("MEAS:VOLT?") == V.decode()
    assert talk.instrument.now_s - begun > 1.9


def test_f86_too_fast_is_lost() -> None:
    talk = Talk(toy(), ["fast:gap=10ms"])
    talk.write("VOLT 5")
    talk.write("OUTP ON")
    talk.instrument.clock.sleep(0.1)
    assert talk.ask("OUTP?") == "0"
    talk.instrument.clock.sleep(0.1)
    assert float(talk.ask("VOLT?")) == 5.0


def test_f87_restart_with_defaults() -> None:
    talk = Talk(toy(), ["restart:at=10s,refuse=5s"])
    talk.write("VOLT 5;*CLS")
    assert talk.ask("*ESR?") == "0"
    talk.instrument.clock.sleep(10.0)
    talk.write("VOLT?")
    assert talk.read() == b""
    assert talk.rudeness.refuses(talk.instrument.now_s)
    talk.instrument.clock.sleep(5.0)
    assert not talk.rudeness.refuses(talk.instrument.now_s)
    talk.reconnect()
    assert talk.ask("*ESR?") == "128"
    assert float(talk.ask("VOLT?")) == 1.0


def test_error_queue_overflow_and_single_error() -> None:
    talk = Talk(toy(), ["overflow:query=2"])
    assert talk.errors() == []
    assert talk.errors()[-1] == -350
    talk = Talk(toy(), ["error:number=-310,query=1"])
    assert talk.errors() == [-310]


def test_unasked_line_at_its_time() -> None:
    talk = Talk(toy(), ["unasked:at=3s,text=WARNING: fan"])
    assert talk.read(1.0) == b""
    talk.instrument.clock.sleep(3.0)
    assert talk.read(1.0) == b"WARNING: fan\n"
    assert talk.ask("OUTP?") == "0"


def test_torn_reply() -> None:
    talk = Talk(toy(), ["torn:query=1,after=4,by=2s", "torn:query=2,after=4"])
    talk.write("MEAS:VOLT?")
    assert talk.read(1.0) == V[:4]
    assert talk.read(5.0) == V[4:] + b"\n"
    assert everything(talk, "MEAS:VOLT?") == V[:4]


def test_every_rule_and_its_time() -> None:
    talk = Talk(toy(), ["say:text=x,at=1s,until=2s", "say:text=y,after=4", "say:text=z,times=1"])
    assert talk.ask("OUTP?") == "z"
    assert talk.ask("OUTP?") == "0"
    talk.instrument.clock.sleep(1.2)
    assert talk.ask("OUTP?") == "x"
    talk.instrument.clock.sleep(1.2)
    assert talk.ask("OUTP?") == "y"


# --- blocks and scope meaning, on the scope itself


def scope_with(*rules: str) -> Talk:
    bench = memory_bench()
    Talk(bench.instruments["supply"]).write("VOLT 5;OUTP ON")
    bench.clock.sleep(1.0)
    talk = Talk(bench.instruments["scope"], rules)
    talk.write("ACQ:POIN 1000;:TRIG:SOUR LINE;:SING;*OPC?")
    assert talk.read() in (b"1\n", b"")
    return talk


@pytest.mark.parametrize(
    ("rule", "start", "length"),
    [
        ("head:match=WAV:DATA?,text=", b"#41000", 6 + 1000 + 1),
        ("block-length:match=WAV:DATA?,declared=250", b"#3250", 5 + 1000 + 1),
        ("block-length:match=WAV:DATA?,scale=0.5", b"#3500", 5 + 1000 + 1),
        ("block-length:match=WAV:DATA?,declared=2000", b"#42000", 6 + 1000 + 1),
        ("block-digits:match=WAV:DATA?,digits=9", b"#9000001000", 11 + 1000 + 1),
        ("block-empty:match=WAV:DATA?", b"#10\n", 4),
        ("head:match=WAV:DATA?,text=C1:WF DAT2\\x2c", b"C1:WF DAT2,#41000", 11 + 6 + 1001),
        ("block-twice:match=WAV:DATA?", b"#41000", 2 * 1006 + 2),
        ("tail:match=WAV:DATA?,text=", b"#41000", 6 + 1000),
        ("tail:match=WAV:DATA?,text=\\r\\n", b"#41000", 6 + 1000 + 2),
        ("torn:match=WAV:DATA?,after=400", b"#41000", 400),
    ],
    ids=["whole", "F42", "F47", "F43", "F46", "F45", "F46 text", "F49", "F41 none", "F41", "F43b"],
)
def test_block_cases(rule: str, start: bytes, length: int) -> None:
    talk = scope_with(rule)
    talk.write("WAV:DATA?")
    got = b""
    while part := talk.read(5.0):
        got += part
    assert got.startswith(start)
    assert len(got) == length


def test_f54_trigger_never_comes() -> None:
    bench = memory_bench()
    talk = Talk(bench.instruments["scope"], ["stuck-trigger"])
    talk.write("TRIG:SOUR LINE;:SING")
    bench.clock.sleep(50.0)
    assert talk.ask("TRIG:STAT?") == "WAIT"
    talk.write("STOP")
    assert talk.ask("TRIG:STAT?") == "STOP"


def test_f56_the_same_waveform_twice() -> None:
    talk = scope_with("stale:match=WAV:DATA?,after=3")
    talk.write("WAV:DATA?")
    first = talk.read()
    talk.write("SING;*OPC?")
    talk.read()
    talk.write("WAV:DATA?")
    assert talk.read() == first
    assert int(talk.ask("ACQ:NUMB?")) == 2


def test_f65_trip_during_a_soak() -> None:
    bench = memory_bench()
    talk = Talk(bench.instruments["load"], ["trip:at=40s,kind=OT"])
    Talk(bench.instruments["supply"]).write("VOLT 5;OUTP ON")
    talk.write("CURR 1;:INP ON")
    assert talk.ask("INP?") == "1"
    bench.clock.sleep(41.0)
    assert talk.ask("INP?") == "0"
    assert int(talk.ask("STAT:QUES:COND?")) == 16 + 8192


# --- the rules themselves


@pytest.mark.parametrize(
    "text",
    ["", "nothing", "late", "late:by=soon", "late:by=1s,colour=red", "mute:query=x", "mute:every=0",
     "tail", "say:text", "drop:byte=-1"],
)  # fmt: skip
def test_wrong_rules_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected"):
        parse_rule(text)


@given(st.text(max_size=40) | st.builds("{}:{}={}".format, st.sampled_from(sorted(KINDS)),
       st.sampled_from(["by", "text", "query", "at", "match"]), st.text(max_size=10)))  # fmt: skip
def test_no_text_stops_the_reader(text: str) -> None:
    try:
        rule = parse_rule(text)
    except ValueError:
        return
    assert isinstance(rule, Rule)
    rule.applies(1, "MEAS:VOLT?", 0.0)


@given(st.lists(st.sampled_from([c[1][0] for c in CASES]), max_size=4))
def test_any_mixture_of_rules_keeps_the_instrument_alive(rules: list[str]) -> None:
    talk = Talk(toy(), rules)
    for _ in range(3):
        everything(talk, "MEAS:VOLT?;CURR?")
    polite = Talk(talk.instrument)
    assert polite.ask("MEAS:VOLT?") == V.decode()
