"""Section F: the meter (F62 to F64)."""

from __future__ import annotations

from runner.errors import FramingError
from runner.instruments.decode import as_numbers
from runner.instruments.dialect import Question
from tests.faults.framing import READ, healthy, reading
from tests.faults.harness import case, meter_on, session_on, told
from tests.link.scripted import Pause


@case(
    "F62",
    "First reading after a range change",
    due="VALUE 12.1 on 100 V",
    twin=lambda: _ranging(changes=False),
    twin_due="VALUE 12.1 on 10 V",
)
def f62() -> str:
    return _ranging(changes=True)


def _ranging(*, changes: bool) -> str:
    ranges = (b"10\n", b"100\n") if changes else b"10\n"
    readings = (
        (b"+9.9E+00\n", b"+1.0E+01\n", b"+1.05E+01\n", b"+1.21E+01\n")
        if changes
        else b"+1.21E+01\n"
    )
    with meter_on({READ: readings, "VOLT:DC:RANG?": ranges}) as (meter, _, _):
        meter.set_dc_volts(expect_v=None)
        if changes:
            assert told(meter.read_volts()) == "VALUE 10"  # first of the autorange: dropped one
        last = meter.read_volts()
        return f"{told(last)} on {last.range:g} V"


@case(
    "F63",
    "Old reading served again",
    due="VALUE 5 then VALUE 12: each triggered; unasked lines thrown away",
    twin=healthy,
    twin_due="VALUE 12",
)
def f63() -> str:
    # READ? triggers each reading; a meter that talks by itself is read only when asked.
    with meter_on({READ: (b"+5.0E+00\n", b"+1.2E+01\n")}) as (meter, player, _):
        outcome = f"{told(meter.read_volts())} then {told(meter.read_volts())}"
        assert "FETC?" not in player.log
    chatter = [b"+7.0E+00\n+7.0E+00\n", Pause(0.03)]
    script = {"START": chatter, READ: b"+1.2E+01\n"}
    with session_on(script, unasked="discard") as (session, _):
        session.write("START")
        session.wait(0.05)
        assert session.query(READ) == "+1.2E+01"
    return outcome + ": each triggered; unasked lines thrown away"


@case(
    "F64",
    "Count of values",
    due="INVALID(not a number: five values)",
    twin=healthy,
    twin_due="VALUE 12",
)
def f64() -> str:
    five = b"+1.2E+01,+1.0E-03,+9.91E+37,+1.2E+02,+2.0480E+04\n"
    outcome = reading(five, link={"repeats": 0})
    assert outcome.startswith("INVALID("), outcome
    try:
        as_numbers(Question(ask="READ?", fields=4, unit="V"), five.decode().strip())
    except FramingError:
        return "INVALID(not a number: five values)"
    return outcome
