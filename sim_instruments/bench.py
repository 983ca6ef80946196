"""Simulated benches by name: what the entry point group `asleft.benches` leads to.

`memory` plugs the instruments into pyvisa-sim; `tcp` serves the same instruments on sockets.

Options of the bench file: `rude` (table: instrument name to a list of rules), `temper` (of the
hand), `bits` (of the scope), `families` (table: name of a meter to the family whose twin it is,
see `families/table.py`); for tcp `port_base`, `host`, `real_time`, `speed`.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any, Protocol

from sim_instruments.bench_clock import BenchClock, BenchTime, PacedClock
from sim_instruments.hand import Hand
from sim_instruments.manners import Rudeness
from sim_instruments.stand import Stand
from sim_instruments.tcp import Server
from sim_instruments.visa_memory import LiveDevice, MemoryLibrary, memory_library

__all__ = ["MemoryBench", "Setup", "TcpBench", "memory", "tcp"]

_TICK_S = 0.02


class Setup(Protocol):
    """What the runner tells a provider (`runner.bench_provider.BenchSetup`)."""

    bench: Any
    profile: Any
    seed: int
    faults: tuple[str, ...]
    options: Mapping[str, Any]


class _OpenBench:
    """A stand of instruments with its hand; subclasses say how it is reached."""

    def __init__(self, setup: Setup) -> None:
        simulation = setup.bench.simulation
        options = {**(simulation.options if simulation else {}), **setup.options}
        self.clock: BenchTime = BenchClock()
        if options.get("real_time"):
            self.clock = PacedClock(float(options.get("speed", 1.0)))
        self.stand = Stand(
            setup.bench,
            setup.profile,
            self.clock,
            seed=setup.seed,
            faults=setup.faults,
            options=options,
        )
        self.options: Mapping[str, Any] = options
        self.plant = self.stand.plant
        self.instruments = self.stand.instruments
        self.rudeness: dict[str, Rudeness] = self.stand.rudeness
        self._hand = Hand(self.stand, str(options.get("temper", "steady")), setup.seed)
        self.operator = self._hand

    @property
    def truth(self) -> Any:
        """What only the maker of this world can know."""
        return self.plant.truth


class MemoryBench(_OpenBench):
    """Instruments inside pyvisa-sim; time passes only when somebody waits."""

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self.visa_library: MemoryLibrary = memory_library(self.clock)
        self.addresses: dict[str, str] = {}
        for name, instrument in self.instruments.items():
            device = LiveDevice(name, instrument, self.rudeness[name])
            self.addresses[name] = self.visa_library.add(self.stand.address(name), device)

    def close(self) -> None:
        """Nothing runs that would have to be stopped."""
        self._hand.close()


class TcpBench(_OpenBench):
    """The same instruments on sockets, one port each.

    On virtual time by default; with the option `real_time` in the computer's own time, or faster
    by the factor `speed`, for programs of any kind.

    :raises OSError: a port is taken
    """

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self.visa_library = "@py"
        self.server = Server(
            self.instruments,
            self.rudeness,
            self.clock,
            port_base=int(self.options.get("port_base", 0)),
            host=str(self.options.get("host", "127.0.0.1")),
        )
        self.addresses = {
            name: f"TCPIP0::127.0.0.1::{port}::SOCKET" for name, port in self.server.ports.items()
        }
        self._ending = threading.Event()
        self._ticker: threading.Thread | None = None
        if isinstance(self.clock, PacedClock):
            self._ticker = threading.Thread(target=self._tick, daemon=True, name="bench alarms")
            self._ticker.start()

    def _tick(self) -> None:
        """Real time passes by itself; somebody must look at the alarms."""
        while not self._ending.wait(_TICK_S):
            self.clock.alarms.run_due(self.clock.mono_s())

    def close(self) -> None:
        """Stop the servers."""
        self._ending.set()
        if self._ticker is not None:
            self._ticker.join(timeout=5.0)
        self.server.close()
        self._hand.close()


def memory(setup: Setup) -> MemoryBench:
    """Open the bench in memory."""
    return MemoryBench(setup)


def tcp(setup: Setup) -> TcpBench:
    """Open the bench behind sockets."""
    return TcpBench(setup)
