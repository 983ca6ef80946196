"""Sessions: whatever bytes come, in whatever pieces, no answer is taken for another's."""

from __future__ import annotations

import io
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.bench import Bench
from runner.clock import VirtualClock
from runner.errors import (
    AsleftError,
    ConnectError,
    DeadlineError,
    FramingError,
    InputError,
    InstrumentError,
)
from runner.instruments.open import open_instruments
from runner.link.blocks import BlockShape, read_block
from runner.link.options import LinkOptions, link_options
from runner.link.ports import Worker
from runner.link.session import Session
from runner.link.trace import Trace
from tests.faults.harness import session_on
from tests.instruments.bench_of import FAST
from tests.instruments.families import METERS
from tests.instruments.twin import definite, served


class ListedPort:
    """A port in memory: each question's reply comes in the given pieces; then silence."""

    def __init__(self, clock: VirtualClock, pieces: list[bytes]) -> None:
        self._clock, self._pieces = clock, pieces
        self._queue: list[bytes] = []
        self._ese = b"0"

    def send(self, data: bytes, until_s: float) -> None:
        if data.startswith(b"*ESE "):
            self._ese = data.split()[1]
        elif data == b"*ESE?\n":
            self._queue.append(self._ese + b"\n")
        elif data == b"ODD?\n":
            self._queue += self._pieces
        elif b"?" in data:
            self._queue.append(b"+7\n")

    def receive(self, until_s: float, at_most: int = 65536) -> tuple[bytes, bool]:
        if not self._queue:
            self._clock.sleep(max(0.0, until_s - self._clock.mono_s()))
            raise DeadlineError("no complete answer in time")
        piece = self._queue.pop(0)
        if len(piece) > at_most:
            self._queue.insert(0, piece[at_most:])
        return piece[:at_most], False

    def waiting(self) -> bool:
        return bool(self._queue)

    def clear(self, until_s: float) -> None:
        return None

    def close(self) -> None:
        self._queue.clear()


def session_in_memory(pieces: list[bytes]) -> Session:
    clock = VirtualClock()
    return Session(
        "it", lambda _: ListedPort(clock, pieces), LinkOptions(), clock, clock, Trace(clock)
    )


@given(st.lists(st.binary(min_size=1, max_size=12), max_size=6))
def test_after_any_bytes_the_next_answer_is_right(pieces: list[bytes]) -> None:
    session = session_in_memory(pieces)
    try:
        session.query("ODD?")
    except (DeadlineError, FramingError):
        assert not session.in_step
    assert session.query("NEXT?") == "+7"


@given(st.lists(st.binary(min_size=1, max_size=12), max_size=6))
def test_after_any_bytes_for_a_block_the_next_answer_is_right(pieces: list[bytes]) -> None:
    session = session_in_memory(pieces)
    try:
        session.query_block("ODD?", BlockShape())
    except (DeadlineError, FramingError):
        assert not session.in_step
    assert session.query("NEXT?") == "+7"


@given(st.binary(max_size=300), st.integers(min_value=1, max_value=40), st.integers(0, 9))
def test_block_comes_back_whole_however_it_is_cut(data: bytes, size: int, digits: int) -> None:
    """IEEE 488.2-1992, 8.7.9: definite length arbitrary block response data."""
    whole = definite(data, digits if digits >= len(str(len(data))) else None) + b"\n"
    pieces = [whole[i : i + size] for i in range(0, len(whole), size)]
    assert session_in_memory(pieces).query_block("ODD?", BlockShape()) == [data]


@given(st.binary(max_size=40))
def test_no_header_makes_the_reader_fail_otherwise(raw: bytes) -> None:
    stream = io.BytesIO(raw)

    def exactly(n: int) -> bytes:
        data = stream.read(n)
        if len(data) < n:
            raise DeadlineError("short")
        return data

    try:
        read_block(exactly, stream.read, BlockShape(), 10_000)
    except AsleftError as error:
        assert str(error)


def test_cap_on_text_and_on_blocks() -> None:
    with (
        session_on({"A?": b"x" * 5000 + b"\n"}, text_cap=1000) as (session, _),
        pytest.raises(FramingError, match="does not end"),
    ):
        session.query("A?")
    with (
        session_on({"A?": b"#9999999999"}, block_cap=1000) as (session, _),
        pytest.raises(FramingError, match="more than the 1000 allowed"),
    ):
        session.query_block("A?", BlockShape())


def test_each_nonce_is_another() -> None:
    with session_on({"A?": b"1\n"}) as (session, server):
        for _ in range(5):
            session.lose_step("on purpose")
            session.query("A?")
        numbers = [line.split()[1] for line in server.log if line.startswith("*ESE ")]
        fresh = [number for number in numbers if number != "0"]
        assert len(set(fresh)) == len(fresh) == 10


def test_trace_has_both_directions_and_the_time() -> None:
    with session_on({"A?": b"1\n"}) as (session, _):
        session.query("A?")
        last = session.trace.last(2)
        assert [(one.direction, one.data) for one in last] == [(">", b"A?\n"), ("<", b"1\n")]
        assert last[0].t_mono_s <= last[1].t_mono_s and last[0].t_utc.tzinfo is not None
        assert "> A?\\n" in session.trace.lines(2)[0]


def test_unknown_link_option_is_named() -> None:
    with pytest.raises(InputError, match=r"meter\.link\.timeout.*timeout_s.*found 3"):
        link_options(LinkOptions(), {"timeout": 3}, "meter")
    with pytest.raises(InputError, match=r"meter\.link\.timeout_s"):
        link_options(LinkOptions(), {"timeout_s": -1}, "meter")
    assert link_options(LinkOptions(), {"serial": {"baud": 19200}}, "m").serial.baud == 19200


def test_worker_hands_results_and_errors_over_and_gives_up_in_time() -> None:
    worker = Worker()
    assert worker.run(lambda: 3, 1.0) == 3
    with pytest.raises(ZeroDivisionError):
        worker.run(lambda: 1 / 0, 1.0)
    release = threading.Event()
    with pytest.raises(DeadlineError, match="did not return"):
        worker.run(lambda: release.wait(5.0), 0.02)
    with pytest.raises(ConnectError, match="never returned"):
        worker.run(lambda: 4, 1.0)
    release.set()
    worker.stop()


def test_write_then_verdict() -> None:
    options = {"verdict": ("OK", "nOK"), "verdict_good": ("OK",), "sync": "none"}
    with session_on({"GOOD": b"OK\n", "BAD": b"nOK\n", "ODD": b"maybe\n"}, **options) as (
        session,
        _,
    ):
        session.write("GOOD")
        with pytest.raises(InstrumentError, match="refused"):
            session.write("BAD")
        assert session.in_step
        with pytest.raises(FramingError, match="'maybe'"):
            session.write("ODD")
        assert not session.in_step


def test_all_bytes_go_to_a_trace_file_when_wanted() -> None:
    sink = io.StringIO()
    with served(METERS["siglent-sdm"]) as (_, address):
        entry = {
            "name": "dmm",
            "role": "meter",
            "address": address,
            "dialect": "auto",
            "link": FAST,
        }
        bench = Bench.model_validate(
            {"format": 1, "name": "x", "mains": {"nominal": "230 V 50 Hz"}, "instrument": [entry]}
        )
        instruments = open_instruments(bench, None, VirtualClock(), trace_to=sink)
        assert instruments.meter is not None
        instruments.meter.read_volts()
        assert instruments.link_health()["dmm"]["repeats"] == 0
        assert any("READ?" in line for line in instruments.traces()["dmm"])
        instruments.close()
    lines = sink.getvalue().splitlines()
    assert all(line.startswith("dmm ") for line in lines)
    assert sum("> READ?" in line for line in lines) == 1
