"""Section B: losing step with the instrument (F15 to F23)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

from runner.clock import SystemClock
from runner.errors import AsleftError, DeadlineError
from runner.link.options import LinkOptions
from runner.link.ports import VisaPort, Worker
from runner.link.session import Session
from runner.link.trace import Trace
from tests.faults.framing import READ, healthy
from tests.faults.harness import T_S, case, load_on, meter_on, scope_on, session_on, told
from tests.faults.scope_setup import capture
from tests.faults.stand_ins import numbered_resource
from tests.link.scripted import MUTE, Pause

SLOW = Pause(T_S + 0.1)


def _after_timeout(late_by_s: float) -> str:
    script = {
        "*OPC?": [Pause(late_by_s), b"1\n"],
        "*IDN?": b"ACME,DMM,1,1\n",
        READ: b"+1.23E+01\n",
    }
    with session_on(script) as (session, _):
        try:
            first = told(session.query("*OPC?"))
        except DeadlineError as error:
            first = told(error)
        return f"{first}, {told(session.query('*IDN?'))}, {told(session.query(READ))}"


@case(
    "F15",
    "Off by one after a timeout",
    due="IO-ERROR(no complete answer in time), VALUE ACME,DMM,1,1, VALUE +1.23E+01",
    twin=lambda: _after_timeout(0.0),
    twin_due="VALUE 1, VALUE ACME,DMM,1,1, VALUE +1.23E+01",
)
def f15() -> str:
    return _after_timeout(T_S + 0.05)


@case(
    "F16",
    "Clearing too early does not help",
    due="IO-ERROR(no complete answer in time), VALUE ACME,DMM,1,1, VALUE +1.23E+01",
    twin=lambda: _after_timeout(0.0),
    twin_due="VALUE 1, VALUE ACME,DMM,1,1, VALUE +1.23E+01",
)
def f16() -> str:
    # The answer comes 0.3 s after the deadline, long after a drain of a tenth has ended.
    return _after_timeout(T_S + 0.3)


@case(
    "F17",
    "Late identity looks like a fresh one",
    due="VALUE +1.23E+01",
    twin=lambda: _identity_twice(0.0),
    twin_due="VALUE +1.23E+01",
)
def f17() -> str:
    return _identity_twice(T_S + 0.1)


def _identity_twice(late_by_s: float) -> str:
    script = {"*IDN?": [Pause(late_by_s), b"ACME,DMM,1,1\n"], READ: b"+1.23E+01\n"}
    with session_on(script) as (session, _):
        try:
            session.query("*IDN?")
        except DeadlineError:
            assert not session.in_step
        return told(session.query(READ))


@case(
    "F18",
    "Second query before the first was read",
    due="VALUE 12 then VALUE 12, no -410",
    twin=healthy,
    twin_due="VALUE 12",
)
def f18() -> str:
    pending = {"answer": False, "interrupted": 0}

    def strict(line: str) -> Any:
        # The instrument throws its answer away when a new message comes before it was read;
        # it sends it 40 ms later, so that a hasty second question would be seen.
        if pending["answer"]:
            pending["interrupted"] += 1
        pending["answer"] = True

        def sent() -> bytes:
            pending["answer"] = False
            return b"+1.2E+01\n"

        return [Pause(0.04), sent()]

    with meter_on({READ: strict}) as (meter, player, _):
        outcome = f"{told(meter.read_volts())} then {told(meter.read_volts())}"
        assert pending["interrupted"] == 0
        assert not any("-410" in line for line in player.log)
        return outcome + ", no -410"


@case(
    "F19",
    "Reading where nothing was asked",
    due="error queue absent, asked once; VALUE 12",
    twin=lambda: _errors_of({}),
    twin_due="error queue read; VALUE 12",
)
def f19() -> str:
    return _errors_of({"SYST:ERR?": None, "SYST:ERR:NEXT?": None})


def _errors_of(instead: dict[str, Any]) -> str:
    with meter_on(instead) as (meter, player, _):
        assert meter.errors() == []
        readable = meter.errors_readable
        before = player.asked.get("SYST:ERR?", 0)
        meter.errors()
        if not readable:
            assert player.asked["SYST:ERR?"] == before  # what is missing is asked for once
        said = "read" if readable else "absent, asked once"
        return f"error queue {said}; {told(meter.read_volts())}"


@case(
    "F20",
    "A forbidden read wedges the instrument",
    due="reopened, VALUE 12",
    twin=healthy,
    twin_due="VALUE 12",
)
def f20() -> str:
    with meter_on({READ: (MUTE, b"+1.2E+01\n")}) as (meter, _, server):
        outcome = told(meter.read_volts())
        assert server.connections == 2 and server.open_now == 1
        return f"reopened, {outcome}"


@case(
    "F21",
    "Transaction numbers out of step",
    due="reopened, VALUE 12",
    twin=lambda: _numbered(fault=False),
    twin_due="VALUE 12",
)
def f21() -> str:
    return _numbered(fault=True)


def _numbered(*, fault: bool) -> str:
    broken = [[False], [False]]
    opened: list[VisaPort] = []
    clock = SystemClock()

    def opener(_: float) -> VisaPort:
        opened.append(VisaPort(numbered_resource(broken[len(opened)]), clock, Worker(), "\n"))
        return opened[-1]

    options = LinkOptions(timeout_s=T_S, first_timeout_s=T_S, late_s=0.1, quiet_s=0.001)
    session = Session("it", opener, options, clock, clock, Trace(clock))
    assert session.query(READ) == "+1.2E+01"
    broken[0][0] = fault
    outcome = session.ask(READ, float, repeats=1)
    session.close()
    return ("reopened, " if len(opened) == 2 else "") + f"VALUE {outcome:g}"


@case(
    "F22",
    "One query in N is swallowed",
    due="14 × VALUE 12, 2 repeats counted",
    twin=lambda: _fourteen(swallow=False),
    twin_due="14 × VALUE 12",
)
def f22() -> str:
    return _fourteen(swallow=True)


@case(
    "F22d",
    "Ever more queries are swallowed",
    due="99 × VALUE 12, then INVALID(the link needs ever more repeats)",
    twin=lambda: _hundred(lambda _: False),
    twin_due="100 × VALUE 12",
)
def f22d() -> str:
    # Every 13th of the first fifty questions, then every third: the instrument is about to fail.
    return _hundred(lambda asked: asked % (13 if asked < 54 else 3) == 0)


def _hundred(lost: Callable[[int], bool]) -> str:
    asked = [0]

    def some(_: str) -> Any:
        asked[0] += 1
        return None if lost(asked[0]) else b"+1.2E+01\n"

    with meter_on({READ: some}) as (meter, _, _):
        outcomes = [told(meter.read_volts()) for _ in range(100)]
    counted = Counter(outcome.split(" (")[0] for outcome in outcomes)
    return ", then ".join(
        f"{n} × {outcome}" if n > 1 else f"{outcome})" for outcome, n in counted.items()
    )


def _fourteen(*, swallow: bool) -> str:
    asked = [0]

    def every_seventh(_: str) -> Any:
        asked[0] += 1
        return None if swallow and asked[0] % 7 == 0 else b"+1.2E+01\n"

    with meter_on({READ: every_seventh}) as (meter, _, _):
        outcomes = {told(meter.read_volts()) for _ in range(14)}
        repeats = meter._session.counts.repeats
        assert outcomes == {"VALUE 12"}
        return "14 × VALUE 12" + (f", {repeats} repeats counted" if repeats else "")


@case(
    "F22b",
    "A setting is swallowed",
    due="VALUE 1.5 A set, 1 repeat counted",
    twin=lambda: _set_once(swallow=False),
    twin_due="VALUE 1.5 A set",
)
def f22b() -> str:
    # Never blindly: the read-back shows that the old value is still there.
    return _set_once(swallow=True)


def _set_once(*, swallow: bool) -> str:
    line = "CURR 1.5;:CURR?"
    with load_on({line: (None, "usual")} if swallow else {}) as (load, player, _):
        load.set_current(1.5)
        repeats = load._session.counts.repeats
        assert float(player.state["amps"]) == 1.5
        return "VALUE 1.5 A set" + (f", {repeats} repeat counted" if repeats else "")


@case(
    "F22c",
    "INP ON is swallowed",
    due="REFUSED, never sent twice",
    twin=lambda: _switched(swallow=False),
    twin_due="VALUE on, sent once",
)
def f22c() -> str:
    return _switched(swallow=True)


def _switched(*, swallow: bool) -> str:
    line = "INP ON;:INP?"
    with load_on({line: (None, "usual")} if swallow else {}) as (load, player, _):
        try:
            load.input(True)
            outcome = "VALUE on"
        except AsleftError:
            outcome = "REFUSED"
        assert player.asked[line] == 1
        return outcome + (", never sent twice" if swallow else ", sent once")


@case(
    "F23",
    "One junk answer, then fine",
    due="VALUE 1000 points, 1 repeat; twice junk INVALID",
    twin=lambda: told(capture({})),
    twin_due="VALUE 1000 points",
)
def f23() -> str:
    with scope_on({"WAV:PRE?": (b"+0\n", "usual")}) as (scope, _, _):
        once = told(capture({}, scope))
        assert scope._session.counts.repeats == 1
    always = told(capture({"WAV:PRE?": b"+0\n"}))
    assert always == "INVALID(10 fields were due in the preamble, found '+0')", always
    return f"{once}, 1 repeat; twice junk INVALID"
