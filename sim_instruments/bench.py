"""Simulated benches by name: what the entry point group `asleft.benches` leads to.

`memory` plugs the instruments into pyvisa-sim; `tcp` serves the same instruments on loopback
sockets; :func:`serve` does so in real time for programs of any kind.

Options of the bench file: `rude` (table: instrument name to a list of rules), `temper` (of the
hand), `bits` (of the scope), `port_base` (tcp).
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from runner.clock import Clock
from sim_instruments.bench_clock import BenchClock, PacedClock
from sim_instruments.hand import Hand
from sim_instruments.manners import Rudeness
from sim_instruments.stand import Stand
from sim_instruments.tcp import Server
from sim_instruments.visa_memory import LiveDevice, MemoryLibrary, memory_library

__all__ = ["MemoryBench", "ServedBench", "Setup", "TcpBench", "memory", "serve", "tcp"]

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
        self.clock = BenchClock()
        simulation = setup.bench.simulation
        options = {**(simulation.options if simulation else {}), **setup.options}
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
        self.operator = Hand(self.stand, str(options.get("temper", "steady")), setup.seed)

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
            port_base=int(self.options.get("port_base", 0)),
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


class ServedBench:
    """A bench on sockets in real time (or faster by a factor) until it is closed."""

    def __init__(self, stand: Stand, server: Server, clock: PacedClock) -> None:
        self.stand, self.server, self.clock = stand, server, clock
        self._ending = threading.Event()
        self._ticker = threading.Thread(target=self._tick, daemon=True, name="bench alarms")
        self._ticker.start()

    @property
    def ports(self) -> dict[str, int]:
        """Port of each instrument, by name."""
        return self.server.ports

    def _tick(self) -> None:
        while not self._ending.wait(_TICK_S):
            self.clock.alarms.run_due(self.clock.mono_s())

    def close(self) -> None:
        """Stop serving."""
        self._ending.set()
        self._ticker.join(timeout=5.0)
        self.server.close()


def serve(
    profile: Any,
    bench: Any,
    port_base: int,
    faults: Sequence[str],
    seed: int,
    clock: Clock | None = None,
    *,
    speed: float = 1.0,
    host: str = "127.0.0.1",
) -> ServedBench:
    """Serve a bench on `port_base` and the ports after it (0: any free ones).

    :param clock: the real time to follow, the computer's own when left out
    :param speed: bench seconds per real second
    :raises OSError: a port is taken
    """
    paced = PacedClock(speed, clock)
    options: Mapping[str, Any] = bench.simulation.options if bench.simulation else {}
    stand = Stand(bench, profile, paced, seed=seed, faults=faults, options=options)
    server = Server(stand.instruments, stand.rudeness, paced, port_base=port_base, host=host)
    return ServedBench(stand, server, paced)
