"""How a simulated bench, ours or a third party's, is found and what it hands over.

A provider is a callable registered under the entry point group ``asleft.benches``. The runner
calls it with a :class:`BenchSetup` and gets an :class:`OpenBench`; from there on real and
simulated are the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from typing import Any, Protocol

from runner.clock import Clock
from runner.errors import ConnectError, InputError

__all__ = ["BenchSetup", "OpenBench", "open_simulated", "serve_simulated"]


@dataclass(frozen=True, slots=True)
class BenchSetup:
    """What a provider is told: the bench file, the profile of the unit on it, seed and faults."""

    bench: Any
    profile: Any
    seed: int
    faults: tuple[str, ...] = ()
    options: Mapping[str, Any] = field(default_factory=dict)


class OpenBench(Protocol):
    """What a provider hands back.

    ``visa_library`` goes to ``pyvisa.ResourceManager`` as it is. ``addresses`` maps instrument
    names to resource names to be used instead of the file's. ``clock`` is the bench's time.
    ``operator`` answers :mod:`runner.operator.requests`, or is None when a person must.
    """

    visa_library: Any
    addresses: Mapping[str, str]
    clock: Clock
    operator: Any

    def close(self) -> None:
        """Stop servers and threads; may be called twice."""
        ...


def open_simulated(provider: str, setup: BenchSetup) -> OpenBench:
    """Open the simulated bench of this name.

    :raises InputError: no provider is registered under the name, or its options are wrong
    :raises ConnectError: a port is taken
    """
    found = {point.name: point for point in entry_points(group="asleft.benches")}
    if provider not in found:
        raise InputError(
            "there is no such simulated bench",
            key="simulation.provider",
            expected="one of " + (", ".join(sorted(found)) or "(none is installed)"),
            found=repr(provider),
        )
    try:
        opened: OpenBench = found[provider].load()(setup)
    except InputError:
        raise
    except ValueError as error:
        raise InputError(
            f"the simulated bench does not understand its options: {error}", key="simulation"
        ) from error
    except OSError as error:
        raise ConnectError(f"the simulated bench cannot be served: {error.strerror}") from error
    return opened


def serve_simulated(
    bench: Any,
    profile: Any,
    port_base: int,
    faults: tuple[str, ...],
    seed: int | None,
    say: Callable[[str], None],
) -> None:
    """Serve the bench file's simulated instruments in real time until interrupted.

    :raises InputError: the bench file is not of a simulated bench
    """
    if bench.simulation is None:
        raise InputError(
            "only a simulated bench can be served", key="simulation",
            expected="a [simulation] table", found="none",
        )  # fmt: skip
    setup = BenchSetup(
        bench=bench,
        profile=profile,
        seed=bench.simulation.seed if seed is None else seed,
        faults=faults,
        options={**bench.simulation.options, "port_base": port_base, "real_time": True},
    )
    opened = open_simulated("tcp", setup)
    try:
        for name, address in opened.addresses.items():
            say(f"{name}: {address}")
        say("serving; Ctrl-C ends it")
        while True:
            opened.clock.sleep(0.5)
    except KeyboardInterrupt:
        say("ended")
    finally:
        opened.close()
