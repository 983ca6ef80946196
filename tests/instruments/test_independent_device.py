"""A device built on an SCPI server library that nobody here wrote, driven by plain SCPI words.

The library (scpipy, MIT licence) brings parser, path rule, status system and error queue of its
own; only what a supply does with its settings is written here.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from scpipy import server as server_library
from scpipy.shared.errors import DefaultScpiErrors, ScpiException

from runner.errors import InstrumentError
from tests.instruments.bench_of import opened_instrument


def _routes(state: dict[str, float]) -> Any:
    router = server_library.Router()

    def setting(word: str, key: str, highest: float) -> None:
        def put(context: Any, value: str) -> None:
            if not 0 <= float(value) <= highest:
                raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)
            state[key] = float(value)

        def get(context: Any) -> str:
            return f"{state[key]:+.8E}"

        router.add_route(f"{word} <value>", put)
        router.add_route(f"{word}?", get)

    setting("VOLTage", "volts", 30.0)
    setting("CURRent", "amps", 3.0)

    def switch(context: Any, value: str) -> None:
        state["on"] = float(value.upper() in {"ON", "1"})

    router.add_route("OUTPut <value>", switch)
    router.add_route("OUTPut?", lambda context: str(int(state["on"])))
    router.add_route("MEASure:VOLTage?", lambda context: f"{state['volts'] * state['on']:+.8E}")
    router.add_route("MEASure:CURRent?", lambda context: "+0.00000000E+00")
    router.add_route("*IDN?", lambda context: "ACME,PSU,7,1.0")
    router.add_route("SYSTem:LOCal", lambda context: None)
    return router


@pytest.fixture
def device() -> Iterator[tuple[str, dict[str, float]]]:
    state = {"volts": 0.0, "amps": 0.0, "on": 0.0}
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    ready, holder = threading.Event(), {}

    def serve() -> None:
        async def main() -> None:
            server = server_library.Server("127.0.0.1", port)
            server.include_router(_routes(state))
            holder["server"], holder["loop"] = server, asyncio.get_running_loop()
            ready.set()
            await server._listen()

        asyncio.run(main())

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    assert ready.wait(5.0)
    yield f"TCPIP::127.0.0.1::{port}::SOCKET", state
    holder["loop"].call_soon_threadsafe(holder["server"].stop)
    thread.join(5.0)


def test_independent_device_is_driven(device: tuple[str, dict[str, float]]) -> None:
    address, state = device
    link = {"release_s": 3.0, "timeout_s": 1.0}
    with opened_instrument("supply", address, "scpi-1999", link=link) as supply:
        assert supply.identity().maker == "ACME"
        supply.set_voltage(12.0)
        supply.set_current_limit(1.5)
        supply.output(True)
        assert state == {"volts": 12.0, "amps": 1.5, "on": 1.0}
        assert supply.panel_volts().value == pytest.approx(12.0)
        with pytest.raises(InstrumentError, match=r"volts was not taken.*-222"):
            supply.set_voltage(31.0)
        assert supply.errors() == []
    assert state["on"] == 0.0
