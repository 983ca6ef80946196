"""Simulated benches by name: what the entry point group `asleft.benches` leads to.

`memory` plugs the instruments into pyvisa-sim; `tcp` serves the same instruments on loopback
sockets. Options of the bench file: `rude` (table: instrument name to a list of rules), `temper`
(of the hand), `bits` (of the scope), `port_base` (tcp).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from sim_instruments.bench_clock import BenchClock
from sim_instruments.hand import Hand
from sim_instruments.manners import Rudeness
from sim_instruments.stand import Stand
from sim_instruments.tcp import Server
from sim_instruments.visa_memory import LiveDevice, MemoryLibrary, memory_library

__all__ = ["MemoryBench", "Setup", "TcpBench", "memory", "tcp"]


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
        self.clock = BenchClock()
        self.stand = Stand(
            setup.bench,
            setup.profile,
            self.clock,
            seed=setup.seed,
            faults=setup.faults,
            options=setup.options,
        )
        self.plant = self.stand.plant
        self.instruments = self.stand.instruments
        self.rudeness: dict[str, Rudeness] = self.stand.rudeness
        self.operator = Hand(self.stand, str(setup.options.get("temper", "steady")), setup.seed)

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


class TcpBench(_OpenBench):
    """The same instruments on loopback sockets, one port each, sharing the virtual clock."""

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self.visa_library = "@py"
        self.server = Server(
            self.instruments,
            self.rudeness,
            self.clock,
            port_base=int(setup.options.get("port_base", 0)),
        )
        self.addresses = {
            name: f"TCPIP0::127.0.0.1::{port}::SOCKET" for name, port in self.server.ports.items()
        }

    def close(self) -> None:
        """Stop the servers."""
        self.server.close()


def memory(setup: Setup) -> MemoryBench:
    """Open the bench in memory."""
    return MemoryBench(setup)


def tcp(setup: Setup) -> TcpBench:
    """Open the bench behind sockets."""
    return TcpBench(setup)
