"""Section C: numbers, words, errors, identity (F24 to F39)."""

from __future__ import annotations

from dataclasses import replace

from runner.clock import SystemClock
from runner.errors import AsleftError
from runner.instruments.decode import as_numbers
from runner.instruments.dialect import Question
from runner.instruments.dialect_files import dialect_for, load_dialect
from runner.link.numbers import parse_bool, parse_error, parse_number
from tests.faults.framing import READ, healthy, reading
from tests.faults.harness import case, load_on, meter_on, told
from tests.faults.plain import METER
from tests.faults.scope_setup import capture
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import METERS
from tests.instruments.twin import Player, served
from tests.link.scripted import Scripted


@case(
    "F24",
    "Overload sentinel, both signs",
    due="INVALID(overload (positive)), INVALID(overload (negative)); in a list only that element",
    twin=healthy,
    twin_due="VALUE 12",
)
def f24() -> str:
    question = Question(ask="FETC?", fields=3, unit="V")
    numbers = as_numbers(question, "+1.2E+01,+9.9E+37,+1.2E+01")
    assert [one.value for one in numbers] == [12.0, None, 12.0]
    positive, negative = reading(b"+9.90000000E+37\n"), reading(b"-9.90000000E+37\n")
    return f"{positive}, {negative}; in a list only that element"


@case(
    "F25",
    "Not-a-number sentinel",
    due="INVALID(no value (9.91E37))",
    twin=healthy,
    twin_due="VALUE 12",
)
def f25() -> str:
    return reading(b"9.91000000E+37\n")


@case(
    "F26",
    "Overload numbers that are not the standard ones",
    due="INVALID(overload (positive)), INVALID(overload (positive)),"
    " INVALID(implausible: 150 V is beyond 122.4)",
    twin=lambda: _owon("1.200345E+01"),
    twin_due="VALUE 12.0035",
)
def f26() -> str:
    with meter_on({READ: b"+1.5E+02\n"}) as (meter, _, _):
        meter.set_dc_volts(expect_v=24.0)
        implausible = told(meter.read_volts())
    return f"{_owon('1.000000E+09')}, {_owon('199.999E+99')}, {implausible}"


def _owon(answer: str) -> str:
    twin = METERS["owon-xdm"]
    twin = replace(twin, asks={**twin.asks, r"MEAS1\?": answer})
    with (
        served(twin) as (_, address),
        opened_instrument("meter", address, "owon-xdm") as meter,
    ):
        meter.set_dc_volts(expect_v=12.0)
        return told(meter.read_volts())


@case(
    "F27",
    "Dashes, stars, OL, and status letters",
    due="INVALID(no value (----)), INVALID(no value (****)),"
    " INVALID(overload (positive)), INVALID(no value (****))",
    twin=lambda: _with_state("C1:PAVA PKPK,4.00E-02V,OK"),
    twin_due="VALUE 0.04",
)
def f27() -> str:
    texts = [reading(text + b"\n") for text in (b"----", b"****", b"OL")]
    return ", ".join([*texts, _with_state("C1:PAVA PKPK,4.00E-02V,OF")])


def _with_state(text: str) -> str:
    question = Question(
        ask="C1:PAVA? PKPK",
        unit="V",
        good_state=("OK",),
        pattern=r"C1:PAVA PKPK,(?P<value>[^,]+),(?P<state>\w+)",
    )
    number = as_numbers(question, text)[0]
    return f"VALUE {number.value:g}" if number.value is not None else f"INVALID({number.reason})"


@case(
    "F29",
    "Units and prefixes in or out",
    due="VALUE 12, VALUE 12, VALUE 0.5, VALUE 12; INVALID(unit 'A' where V was due); m is not M",
    twin=healthy,
    twin_due="VALUE 12",
)
def f29() -> str:
    outcomes = [reading(text + b"\n") for text in (b"12.0V", b"1.20E+01 VDC", b"500mV")]
    question = Question(ask=READ, unit="V", units=("V", "s", "RDNG#"), fields=3)
    parts = as_numbers(question, "+1.2E+01VDC,+12.3SECS,+00001RDNG#")
    assert [one.value for one in parts] == [12.0, 12.3, 1.0]
    outcomes.append(f"VALUE {parts[0].value:g}")
    wrong = reading(b"12.0 A\n")
    assert parse_number("5mV", "V").value == 5e-3
    assert parse_number("5MV", "V").value == 5e6
    return f"{', '.join(outcomes)}; {wrong}; m is not M"


@case(
    "F31",
    "Malformed digits",
    due="4 × INVALID, nothing salvaged",
    twin=healthy,
    twin_due="VALUE 12",
)
def f31() -> str:
    texts = (b"-0.-1", b"0.0.1359530", b"+1.2E", b"1.2E+01 3")
    outcomes = [reading(text + b"\n", link={"repeats": 0}) for text in texts]
    assert all(one.startswith("INVALID(") for one in outcomes), outcomes
    return f"{len(outcomes)} × INVALID, nothing salvaged"


@case(
    "F32",
    "Quotes, headers, echoed mnemonics",
    due='"FUNC": taken thrice; header in front INVALID; with its header declared VALUE 0.5',
    twin=healthy,
    twin_due="VALUE 12",
)
def f32() -> str:
    for words in (b'"CURR"\n', b"CURR\n", b'"CURRENT"\n'):
        with load_on({"FUNC CURR;:FUNC?": words}) as (load, _, _):
            load.set_current(1.0)
    headed = reading(b":CH1:SCALE 5.0E-1\n", link={"repeats": 0})
    assert headed.startswith("INVALID(")
    declared = Question(ask="CH1:SCA?", pattern=r":CH1:SCALE (?P<value>\S+)")
    assert as_numbers(declared, ":CH1:SCALE 5.0E-1")[0].value == 0.5
    return '"FUNC": taken thrice; header in front INVALID; with its header declared VALUE 0.5'


@case(
    "F33",
    "Booleans in odd dress",
    due="off off off on on REFUSED",
    twin=lambda: _inputs([b"0\n", b"1\n"]),
    twin_due="off on",
)
def f33() -> str:
    assert parse_bool("2") is None
    return _inputs([b"0\n", b"OFF\n", b"0.00000e+00\n", b"1\n", b"ON\n", b"2\n"])


def _inputs(answers: list[bytes]) -> str:
    outcomes = []
    for answer in answers:
        with load_on({"INP?": answer}, link={"repeats": 0}) as (load, _, _):
            try:
                outcomes.append("on" if load.state().input_on else "off")
            except AsleftError:
                outcomes.append("REFUSED")
    return " ".join(outcomes)


@case(
    "F34",
    "'No error' in five spellings, and one that never ends",
    due="5 × empty; REFUSED(the error queue never becomes empty (-113 Undefined header))",
    twin=lambda: _queue(b'0,"No error"\n'),
    twin_due="empty",
)
def f34() -> str:
    spellings = (
        b'0,"No error"\n',
        b'+0,"No error"\n',
        b"0,No error\n",
        b'0,"No error;tail"\n',
        b"0.00000e+00\tQueue Is Empty\t0\n",
    )
    assert parse_error("nonsense") is None
    assert all(_queue(one) == "empty" for one in spellings)
    endless = _queue(b'-113,"Undefined header"\n')
    return f"{len(spellings)} × empty; {endless}"


def _queue(answer: bytes) -> str:
    with meter_on({"SYST:ERR?": answer}) as (meter, _, _):
        try:
            return "empty" if meter.errors() == [] else "not empty"
        except AsleftError as error:
            return told(error)


@case(
    "F35",
    "Error query differs or is missing",
    due="second spelling used; none: said so",
    twin=lambda: _probe({}),
    twin_due="SYST:ERR? used",
)
def f35() -> str:
    second = _probe({"SYST:ERR?": None, "SYST:ERR:NEXT?": b'0,"No error"\n'})
    none = _probe({"SYST:ERR?": None, "SYST:ERR:NEXT?": None})
    assert second == "SYST:ERR:NEXT? used" and none == "none", (second, none)
    return "second spelling used; none: said so"


def _probe(instead: dict[str, object]) -> str:
    with meter_on(instead) as (meter, _, _):
        meter.errors()
        return f"{meter._error_query} used" if meter.errors_readable else "none"


@case(
    "F37",
    "Odd identities",
    due="5 × refused with the text shown; B&K with spaces recognised",
    twin=lambda: dialect_for("Keysight Technologies,34465A,MY1,A.03", "meter").name,
    twin_due="keysight-3446x",
)
def f37() -> str:
    odd = (
        b"X506A,ACME,B01,App 2.0 FW 066",
        b"GDM,8255,1.0",
        b"A,B,C,D,E",
        b"8D 320-KD3005P V4.2",
        b"\xff",
    )
    for text in odd:
        with Scripted({"*IDN?": text + b"\n"}) as scripted:
            try:
                with opened_instrument("meter", scripted.address, "auto"):
                    return f"{text!r} taken for something"
            except AsleftError as error:
                assert repr(text.decode("latin-1"))[1:-1] in str(error), str(error)
    known = dialect_for("B&K Precision, 8600, 60219, 1.36-1.41", "load").name
    assert known == "itech-it8500"
    return f"{len(odd)} × refused with the text shown; B&K with spaces recognised"


@case(
    "F38",
    "Completion that never comes",
    due="INVALID(no trigger came in time) within the deadline",
    twin=lambda: told(capture({})),
    twin_due="VALUE 1000 points",
)
def f38() -> str:
    # Completion is polled, never waited for with *OPC?; the scope says RUN for ever.
    outcome = told(capture({"TRIG:STAT?": b"RUN\n", "ACQ:NUMB?": b"0\n"}, timeout_s=0.5))
    for name in ("scpi-1999", "rigol-ds1000z", "keysight-infiniivision"):
        assert "*OPC" not in load_dialect(name).model_dump_json()
    return outcome + " within the deadline"


@case(
    "F39",
    "Busy after reset or start",
    due="VALUE 12 after the first answer, settings sent only then",
    twin=lambda: _busy(0.0),
    twin_due="VALUE 12 after the first answer, settings sent only then",
)
def f39() -> str:
    # For 0.3 s after the connection everything is lost; sync comes before the first setting.
    return _busy(0.3)


def _busy(deaf_s: float) -> str:
    clock = SystemClock()
    player = Player(METER)
    first: list[float] = []

    def busy(line: str) -> bytes | None:
        first.append(clock.mono_s())
        if clock.mono_s() - first[0] < deaf_s:
            assert "CONF" not in line
            return None
        return player(line)

    with (
        Scripted(busy, nonce=False) as scripted,
        opened_instrument(
            "meter", scripted.address, "scpi-1999", link={"first_timeout_s": 0.25, "release_s": 1.0}
        ) as meter,
    ):
        meter.set_dc_volts(expect_v=24.0)
        return f"{told(meter.read_volts())} after the first answer, settings sent only then"
