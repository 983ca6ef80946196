"""A load on UDP: the documented dialect over datagrams, lost ones, and nobody there.

The words are those of the serial port (public driver of the KEL103): one datagram a command.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from runner.clock import SystemClock
from runner.errors import BenchError, ConnectError
from tests.instruments.bench_of import opened_instrument
from tests.instruments.load_twins import LOADS
from tests.instruments.twin import Player

LINK = {"timeout_s": 0.2, "first_timeout_s": 0.4, "late_s": 0.2, "pace_s": 0.0, "quiet_s": 0.02}


@contextmanager
def served(lost: set[int]) -> Iterator[tuple[Player, str]]:
    """Answers each datagram but those whose number (from 1) is in ``lost``."""
    player, ending = Player(LOADS["korad-kel103"]), threading.Event()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(0.05)

        def serve() -> None:
            count = 0
            while not ending.is_set():
                try:
                    data, peer = sock.recvfrom(65_507)
                except TimeoutError:
                    continue
                count += 1
                if count in lost:
                    continue
                answer = player(data.decode("latin-1").rstrip("\n"))
                if isinstance(answer, bytes):
                    sock.sendto(answer, peer)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield player, f"UDP::127.0.0.1::{sock.getsockname()[1]}"
        finally:
            ending.set()
            thread.join(5.0)


def _driven(lost: set[int]) -> tuple[float | None, int, dict[str, str]]:
    with (
        served(lost) as (player, address),
        opened_instrument("load", address, "korad-kel103", SystemClock(), link=LINK) as load,
    ):
        load.set_current(1.5)
        load.input(True)
        amps = load.read_amps().value
        assert load.off_confirmed()
        assert player.state["input"] == "OFF"
        return amps, load.link_counts()["repeats"], dict(player.state)


def test_a_load_on_datagrams_is_driven() -> None:
    amps, repeats, state = _driven(set())
    assert (amps, repeats, float(state["amps"])) == (1.5, 0, 1.5)


@pytest.mark.parametrize("lost", range(1, 14))
def test_a_lost_datagram_is_noticed_or_refused(lost: int) -> None:
    try:
        amps, _, state = _driven({lost})
    except BenchError as error:
        assert len(str(error)) > 20
    else:
        assert (amps, float(state["amps"])) == (1.5, 1.5)


def test_nobody_there_and_no_address() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        address = f"UDP::127.0.0.1::{free.getsockname()[1]}"
    for wrong in (address, "UDP::127.0.0.1"):
        with (
            pytest.raises(ConnectError, match=r"it .load. at UDP::127\.0\.0\.1"),
            opened_instrument("load", wrong, "korad-kel103", SystemClock(), link=LINK),
        ):
            pass
