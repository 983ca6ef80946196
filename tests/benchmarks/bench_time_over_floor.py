"""Wall time of checks over TCP with real latencies, over the time that nothing can take away.

The floor is the same schedule on a clock of its own, where messages take no time: what passes
there is settling, aperture, acquisition and the waits that settings force. What a poll lost
after a record was complete is taken off it too, so that polling counts as overhead.

The wall time is without the processor time in which the simulated instruments worked out what
the unit does while a question waited: a real one has its unit before it, and its own time is in
the latency.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from runner.bench import find_bench, load_bench
from runner.bench_provider import BenchSetup, OpenBench, open_simulated
from runner.checks.check import Conditions
from runner.engine import Run, run_schedule
from runner.instruments.open import open_instruments
from runner.instruments.scope import DrivenScope
from runner.job import Job
from runner.profile import find_profile, load_profile
from runner.record.writer import RecordWriter
from runner.schedule import Schedule, make_schedule
from sim_instruments.scpi.instrument import ScpiInstrument

__all__ = ["measure"]

CHECKS = ("load-effect", "ripple", "impedance", "source-effect")
LATENCY_S = {
    "meter": 0.002, "load": 0.002, "supply": 0.005, "mains-meter": 0.005, "mains-source": 0.005,
    "scope": 0.005, "thermometer": 0.005,
}  # fmt: skip
"""From question to answer, beyond what the instrument's own work takes (common on a LAN)."""


def measure() -> dict[str, float]:
    """Return ``bench_time_over_floor``; at most 1.10 is wanted."""
    rude = {name: [f"late:by={by_s}s"] for name, by_s in LATENCY_S.items()}
    quiet = _open("memory", {})
    lost: list[float] = []
    with _polls_watched(quiet, lost):
        floor_s = _bench_time_s(quiet) - sum(lost)
    _load_libraries()
    worked: list[float] = []
    with _simulation_timed(worked):
        begun_s = time.perf_counter()
        _bench_time_s(_open("tcp", {"real_time": True, "rude": rude}))
        wall_s = time.perf_counter() - begun_s
    return {"bench_time_over_floor": (wall_s - sum(worked)) / floor_s}


def _load_libraries() -> None:
    """Open a bench over TCP once: what Python loads for it is the program's start, not the run."""
    opened = _open("tcp", {"real_time": True})
    open_instruments(load_bench(find_bench("memory")), opened, opened.clock, _Nods())
    opened.close()


def _open(over: str, options: dict[str, Any]) -> OpenBench:
    bench = load_bench(find_bench(over))
    profile = load_profile(find_profile("lb-2403"))
    return open_simulated(over, BenchSetup(bench, profile, seed=1, options=options))


def _bench_time_s(opened: OpenBench) -> float:
    """Run the checks and return how much of the bench's time has passed (s)."""
    bench, profile = load_bench(find_bench("memory")), load_profile(find_profile("lb-2403"))
    steps = make_schedule(Conditions(profile, bench, quick=True), CHECKS).steps
    begun_s = opened.clock.mono_s()
    with tempfile.TemporaryDirectory() as folder:
        ending = run_schedule(
            Run(
                profile=profile, bench=bench, job=Job(),
                schedule=Schedule(tuple(one for one in steps if one.check.name in CHECKS)),
                instruments=open_instruments(bench, opened, opened.clock, _Nods()),
                operator=_Nods(), clock=opened.clock,
                writer=RecordWriter(Path(folder), opened.clock), quick=True,
                progress=lambda *_: None,
            )
        )  # fmt: skip
    passed_s = opened.clock.mono_s() - begun_s
    opened.close()
    if ending.how != "complete":
        raise RuntimeError(ending.reason)
    return passed_s


class _Nods:
    """A person who says yes at once: people's time is not the program's."""

    def answer(self, request: Any) -> Any:
        from runner.operator.requests import Answer

        return Answer(done=True, words="yes")


@contextmanager
def _polls_watched(opened: Any, lost: list[float]) -> Iterator[None]:
    """Note how long after its end each record was found complete (s)."""
    triggered = DrivenScope.triggered
    seen: list[Any] = []

    def watched(self: DrivenScope) -> bool:
        done = triggered(self)
        run = opened.instruments["scope"].shown
        if done and run is not None and run.trigger_s is not None and run not in seen:
            seen.append(run)
            lost.append(opened.clock.mono_s() - run.trigger_s - run.plan.after_s)
        return done

    DrivenScope.triggered = watched  # type: ignore[method-assign]
    try:
        yield
    finally:
        DrivenScope.triggered = triggered  # type: ignore[method-assign]


@contextmanager
def _simulation_timed(worked: list[float]) -> Iterator[None]:
    """Note the processor time of carrying out each question (s); commands delay nobody."""
    carry_out = ScpiInstrument.carry_out

    def timed(self: ScpiInstrument, bound: Any) -> Any:
        begun_s = time.thread_time()
        try:
            return carry_out(self, bound)
        finally:
            if bound.unit.query:
                worked.append(time.thread_time() - begun_s)

    ScpiInstrument.carry_out = timed  # type: ignore[method-assign]
    try:
        yield
    finally:
        ScpiInstrument.carry_out = carry_out  # type: ignore[method-assign]
