"""A small instrument and a way to talk to it without any transport."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from runner.bench import load_bench
from runner.bench_provider import BenchSetup
from runner.clock import VirtualClock
from runner.profile import load_profile
from sim_instruments.bench import MemoryBench, TcpBench
from sim_instruments.manners import Manners, Rudeness
from sim_instruments.scpi.exchange import Exchange
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.scpi.kinds import Boolean, Number, Word
from sim_instruments.scpi.tree import Command
from sim_instruments.site import Site


class Toy(ScpiInstrument):
    """A level, a switch, a word and one slow query."""

    def commands(self) -> Iterable[Command]:
        from sim_instruments.scpi.instrument import Later

        return [
            self.setting(
                "[SOURce]:VOLTage[:LEVel][:IMMediate]", "volt", Number(0.0, 30.0, 1.0, ("V",)), 1.0
            ),
            self.setting("OUTPut[:STATe]", "out", Boolean(), False),
            self.setting("CHANnel<4>:SCALe", "scale", Number(0.001, 10.0, 1.0, ("V",)), 1.0),
            self.setting("TRIGger:SOURce", "source", Word("IMMediate", "BUS", "EXTernal"), "IMM"),
            self.setting("RESistance", "ohms", Number(0.0, 1e9, 1.0, ("OHM",)), 1.0),
            Command("MEASure:VOLTage", ask=lambda: "+1.20000000E+01"),
            Command("MEASure:CURRent", ask=lambda: "+3.00000000E+00"),
            Command("SLOW", ask=lambda: Later(self.now_s + 1.0, lambda: "7")),
        ]


class Talk:
    """Writes to and reads from an instrument by way of one exchange."""

    def __init__(
        self,
        instrument: ScpiInstrument,
        rules: Iterable[str] = (),
        *,
        message_based: bool = False,
    ) -> None:
        self.instrument = instrument
        self.rudeness = Rudeness(rules)
        self.message_based = message_based
        self.reconnect()

    def reconnect(self) -> None:
        self.exchange = Exchange(
            self.instrument,
            Manners(self.rudeness, self.instrument),
            message_based=self.message_based,
        )
        self.exchange.greet()

    def write(self, text: str) -> None:
        self.exchange.receive(text.encode("latin-1") + b"\n")

    def read(self, timeout_s: float = 10.0) -> bytes:
        """Everything that arrives until an LF ends it or the bench time is up."""
        clock = self.instrument.clock
        end_s, got = clock.mono_s() + timeout_s, b""
        while True:
            next_s = self.exchange.advance()
            while (piece := self.exchange.take()) is not None:
                got += piece.data
            if got.endswith(b"\n") or next_s is None or next_s > end_s:
                return got
            clock.sleep(max(0.0, next_s - clock.mono_s()) + 1e-9)

    def ask(self, text: str) -> str:
        self.write(text)
        return self.read().decode("latin-1").removesuffix("\n")

    def errors(self) -> list[int]:
        numbers = []
        while (number := int(self.ask("SYST:ERR?").split(",")[0])) != 0:
            numbers.append(number)
        return numbers


def toy() -> Toy:
    return Toy(Identity("Norvane", "TY-1", "0"), VirtualClock())


PROFILES = Path(__file__).parents[2] / "profiles"


def setup_of(
    bench: str = "memory",
    profile: str = "lb-2403",
    seed: int = 1,
    faults: Sequence[str] = (),
    **options: Any,
) -> BenchSetup:
    return BenchSetup(
        load_bench(PROFILES / "benches" / f"{bench}.toml"),
        load_profile(PROFILES / f"{profile}.toml"),
        seed,
        tuple(faults),
        options,
    )


def memory_bench(**what: Any) -> MemoryBench:
    return MemoryBench(setup_of(**what))


def tcp_bench(**what: Any) -> TcpBench:
    return TcpBench(setup_of(bench="tcp", **what))


class WaveSite:
    """Stands in for the unit: a voltage that is a known function of time between any two nodes."""

    def __init__(self, volts: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> None:
        self.volts = volts
        self.attached: dict[str, tuple[str, str, float]] = {}

    def mean_v(self, a: str, b: str, t0_s: float, t1_s: float) -> float:
        mid = t0_s + (np.arange(4000) + 0.5) / 4000 * (t1_s - t0_s)
        return float(np.mean(self.volts(mid)))

    def rms_ac_v(self, a: str, b: str, t0_s: float, t1_s: float) -> float:
        mid = t0_s + (np.arange(4000) + 0.5) / 4000 * (t1_s - t0_s)
        return float(np.std(self.volts(mid)))

    def samples_v(self, a: str, b: str, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.volts(t_s)

    def min_max_v(self, a: str, b: str, edges: NDArray[np.float64]) -> NDArray[np.float64]:
        part = np.linspace(0.0, 1.0, 64)
        inside = edges[:-1, None] + part[None, :] * np.diff(edges)[:, None]
        v = self.volts(inside)
        return np.stack([v.min(axis=1), v.max(axis=1)], axis=1)

    def find_event(
        self, a: str, b: str, after_s: float, level_v: float, slope: str = "rising",
        window_v: float | None = None, until_s: float | None = None,
    ) -> float | None:  # fmt: skip
        t = np.arange(after_s, until_s or after_s, 1e-5)
        v = self.volts(t) - level_v
        if window_v is not None:
            hit = np.abs(v) > window_v
        else:
            up, down = (v[:-1] < 0) & (v[1:] >= 0), (v[:-1] > 0) & (v[1:] <= 0)
            chosen = {"rising": up, "falling": down}.get(slope, up | down)
            hit = np.concatenate([[False], chosen])
        found = np.flatnonzero(hit)
        return float(t[found[0]]) if found.size else None

    def resistance_ohm(self, a: str, b: str, but: str = "") -> float:
        return 4700.0

    def line_crossing_s(self, after_s: float) -> float:
        return (np.floor(after_s * 50) + 1) / 50

    def attach(self, name: str, a: str, b: str, ohms: float, farads: float = 0.0) -> None:
        self.attached[name] = (a, b, ohms)

    def detach(self, name: str) -> None:
        self.attached.pop(name, None)

    def site(self) -> Site:
        return cast(Site, self)
