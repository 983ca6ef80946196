"""Section I: host, logging, ending (F88 to F93), as far as links and instruments carry them."""

from __future__ import annotations

import errno
import io
import os
import signal
import tempfile
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from runner.clock import VirtualClock
from runner.errors import AsleftError, RecordError
from runner.instruments.open import open_instruments
from runner.record.journal import Journal
from runner.record.reader import open_record
from tests.faults.harness import LINK, Faulty, case, load_on
from tests.faults.plain import LOAD
from tests.instruments.bench_of import bench_with
from tests.instruments.families import METERS
from tests.instruments.scenarios import prove_meter
from tests.link.scripted import RST, Scripted


def ending(
    instead: dict[str, Any], work: Any = None, exception: type[BaseException] | None = None
) -> str:
    """Load on, then trouble; what the load saw last and what is said of it."""
    player = Faulty(LOAD, instead)
    with Scripted(player.reply, nonce=False) as scripted:
        bench = bench_with("load", scripted.address, "scpi-1999", link=LINK, current_max="30 A")
        instruments = open_instruments(bench, None, VirtualClock())
        caught = "no exception"
        try:
            instruments.load.set_current(1.0)  # type: ignore[union-attr]
            instruments.load.input(True)  # type: ignore[union-attr]
            assert player.state["input"] == "ON"
            if work is not None:
                work(instruments.load, player)
            if exception is not None:
                raise exception
        except BaseException as error:  # noqa: BLE001 - every kind must end the same
            caught = type(error).__name__
        begun_s = time.monotonic()
        instruments.close()
        assert time.monotonic() - begun_s < 4.0
        said = {True: "SAFE", False: "loudly unconfirmed", None: "no load"}
        off = "off" if player.state["input"] == "OFF" else "STILL ON"
        return f"{caught}: {said[instruments.load_off_confirmed]}, load {off}"


def _interrupted(load: Any, _: Faulty) -> None:
    threading.Timer(0.1, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
    load._session.query("WAIT?", 5.0)


@case(
    "F88",
    "The instrument is left on",
    due="ZeroDivisionError: SAFE, load off; KeyboardInterrupt: SAFE, load off;"
    " ConnectError: SAFE, load off",
    twin=lambda: ending({}),
    twin_due="no exception: SAFE, load off",
)
def f88() -> str:
    step = ending({}, exception=ZeroDivisionError)
    blocked = ending({"WAIT?": None}, work=_interrupted)
    lost = ending({"MEAS:CURR?": [RST]}, work=lambda load, _: [load._session.query("MEAS:CURR?")])
    return f"{step}; {blocked}; {lost}"


@case(
    "F88b",
    "The load cannot be reached any more",
    due="DeadlineError: loudly unconfirmed, load STILL ON",
    twin=lambda: ending({}),
    twin_due="no exception: SAFE, load off",
)
def f88b() -> str:
    def die(load: Any, player: Faulty) -> None:
        player.dead = True
        load._session.query("MEAS:CURR?")

    return ending({}, work=die)


@case(
    "F89",
    "Front panel locked afterwards",
    due="local asked last, its failure masks nothing",
    twin=lambda: _last({}),
    twin_due="local asked last",
)
def f89() -> str:
    assert _last({"SYST:LOC": [RST]}) == "local asked last"
    return "local asked last, its failure masks nothing"


def _last(instead: dict[str, Any]) -> str:
    with load_on(instead) as (load, player, _):
        load.input(True)
    return "local asked last" if player.log[-1] == "SYST:LOC" else f"{player.log[-3:]}"


class _FullDisk:
    """Files that refuse after so many bytes, as a full disk does."""

    def __init__(self, room: int) -> None:
        self.room = room

    def write(self, handle: io.FileIO, data: bytes) -> int:
        if len(data) > self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.room -= len(data)
        return handle.write(data) or 0

    def fsync(self, handle: io.FileIO) -> None:
        os.fsync(handle.fileno())


@case(
    "F84",
    "The computer sleeps in between",
    due="proved in step first; input off, tripped: over-temperature",
    twin=lambda: _gap(gap=False),
    twin_due="input on, tripped: None",
)
def f84() -> str:
    return _gap(gap=True)


def _gap(*, gap: bool) -> str:
    # 120 s pass unseen between two questions, scaled to the session's idle limit; the load has
    # tripped meanwhile. What was known before the gap is worth nothing: it is asked again.
    with load_on({}, link={"idle_check_s": 0.1}) as (load, player, _):
        load.input(True)
        before = load._session.counts.recoveries
        if gap:
            load._session.wait(0.2)
            player.state["input"] = "0"
            player.instead["STAT:QUES:COND?"] = b"8208\n"
        state = load.state()
        proved = load._session.counts.recoveries - before
        words = f"input {'on' if state.input_on else 'off'}, tripped: {state.tripped}"
        return ("proved in step first; " if proved else "") + words


@case(
    "F91",
    "Disk full",
    due="RecordError at the first refused line, 2 lines intact",
    twin=lambda: _written(room=10**6),
    twin_due="3 lines",
)
def f91() -> str:
    return _written(room=450)


def _written(*, room: int) -> str:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "record"
        journal = Journal(
            folder, VirtualClock(datetime(2026, 1, 1, tzinfo=UTC)), files=_FullDisk(room)
        )
        try:
            for number in range(3):
                journal.write("reading", value=number, note="x" * 20)
            outcome = ""
        except RecordError:
            outcome = "RecordError at the first refused line, "
        journal.close()
        lines = (folder / "journal.jsonl").read_bytes().splitlines()
        assert all(line.endswith(b"}") for line in lines)
        return f"{outcome}{len(lines)} lines" + (" intact" if outcome else "")


@case(
    "F92",
    "Torn last row",
    due="2 lines read, the torn one reported",
    twin=lambda: _torn(cut=0),
    twin_due="3 lines read",
)
def f92() -> str:
    return _torn(cut=25)


def _torn(*, cut: int) -> str:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "record"
        journal = Journal(folder, VirtualClock(datetime(2026, 1, 1, tzinfo=UTC)))
        journal.write("record", format=1)
        for number in range(3):
            journal.write("reading", value=number)
        journal.close()
        path = folder / "journal.jsonl"
        path.write_bytes(path.read_bytes()[: -cut or None])
        record = open_record(folder)
        said = ", the torn one reported" if record.problems else ""
        return f"{len(list(record.of_kind('reading')))} lines read{said}"


@case(
    "F93",
    "Simulator more forgiving than the instrument",
    due="one thing changed: noticed 4 times",
    twin=lambda: _forgiving([lambda twin: twin]),
    twin_due="noticed 0 times",
)
def f93() -> str:
    changes = [
        lambda twin: replace(twin, end="\r"),
        lambda twin: replace(twin, sets=dict.fromkeys(twin.sets, "")),
        lambda twin: replace(twin, asks={**twin.asks, r"READ\?": ":READ +1.2E+01"}),
        lambda twin: replace(twin, asks={**twin.asks, r"READ\?": "+1.20034500E+01A"}),
    ]
    return f"one thing changed: {_forgiving(changes)}"


def _forgiving(changes: list[Any]) -> str:
    noticed = 0
    for change in changes:
        try:
            prove_meter("keysight-3446x", change(METERS["keysight-3446x"]))
        except (AssertionError, AsleftError):
            noticed += 1
    return f"noticed {noticed} times"
