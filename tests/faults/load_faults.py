"""Section G: the load (F65 to F70)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from runner.errors import AsleftError
from tests.faults.harness import LINK, case, load_on, told
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import LOADS
from tests.instruments.twin import Player
from tests.link.scripted import Scripted


def state(condition: bytes, on: bytes, amps: bytes = b"+5.0E+00\n") -> str:
    """What the load's state says."""
    instead = {"STAT:QUES:COND?": condition + b"\n", "INP?": on + b"\n", "MEAS:CURR?": amps}
    with load_on(instead) as (load, _, _):
        found = load.state()
        words = [f"input {'on' if found.input_on else 'off'}", f"tripped: {found.tripped}"]
        if found.unregulated:
            words.append(f"unregulated at {load.read_amps().value:g} A")
        return ", ".join(words)


QUIET = "input on, tripped: None"


@case(
    "F65",
    "Protection trips, nobody is told",
    due="input off, tripped: over-temperature; input on, tripped: over-current",
    twin=lambda: state(b"0", b"1"),
    twin_due=QUIET,
)
def f65() -> str:
    soft = state(b"8208", b"0", b"+3.0E-04\n")
    hard = state(b"2", b"1", b"+3.3E+00\n")
    return f"{soft}; {hard}"


@case(
    "F66",
    "Over-voltage turns the load fully on",
    due="input on, tripped: over-voltage",
    twin=lambda: state(b"0", b"1"),
    twin_due=QUIET,
)
def f66() -> str:
    return state(b"1", b"1", b"+3.0E+01\n")


@case(
    "F68",
    "ON accepted, state stays off",
    due="REFUSED naming over-temperature",
    twin=lambda: _on({}),
    twin_due="VALUE on",
)
def f68() -> str:
    return _on({"INP ON;:INP?": b"0\n", "STAT:QUES:COND?": b"8208\n"})


def _on(instead: dict[str, Any]) -> str:
    with load_on(instead) as (load, player, _):
        try:
            load.input(True)
        except AsleftError as error:
            assert "over-temperature" in str(error) and "INP:PROT:CLE" not in player.log
            return "REFUSED naming over-temperature"
        return "VALUE on"


@case(
    "F69",
    "Set-point not reached",
    due="input on, tripped: None, unregulated at 2.1 A",
    twin=lambda: state(b"0", b"1"),
    twin_due=QUIET,
)
def f69() -> str:
    return state(b"1024", b"1", b"+2.1E+00\n")


@case(
    "F70",
    "Settings ignored until remote",
    due="VALUE 1.5 A set; without the word REFUSED",
    twin=lambda: _remote(needed=False, starts=True),
    twin_due="VALUE 1.5 A set",
)
def f70() -> str:
    assert _remote(needed=True, starts=False).startswith("REFUSED(mode was not taken")
    return _remote(needed=True, starts=True) + "; without the word REFUSED"


class _LocalUntilTold(Player):
    """Deaf to settings, not to questions, until SYST:REM."""

    remote = False

    def _one(self, part: str) -> bytes | None:
        if part == "SYST:REM":
            self.remote = True
        if "?" not in part and not part.startswith("*") and not self.remote:
            return None
        return super()._one(part)


def _remote(*, needed: bool, starts: bool) -> str:
    twin = replace(LOADS["itech-it8500"], state={**LOADS["itech-it8500"].state, "mode": "VOLT"})
    player = _LocalUntilTold(twin)
    player.remote = not needed
    if not starts:  # somebody pressed Local after the start words
        player.log.append("local")
    with (
        Scripted(player, nonce=False) as scripted,
        opened_instrument(
            "load", scripted.address, "itech-it8500", current_max="30 A", link=LINK
        ) as load,
    ):
        if not starts:
            player.remote = False
        try:
            load.set_current(1.5)
        except AsleftError as error:
            return told(error)
        finally:
            player.remote = True  # so that the input can be put off
        return f"VALUE {float(player.state['amps']):g} A set"
