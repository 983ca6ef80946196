"""A compact acceptance over TCP: every check of the schedule, each with the fewest points.

Transactions are what counts here, not statistics: the same code asks the same questions of the
same instruments, but each list of points and each count of readings is as short as the findings
allow. The unit is ``compact.toml``.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import runner.acceptance
from runner import engine
from runner.acceptance import Acceptance, Inputs, Outcome, load_inputs, run_acceptance
from runner.bench import find_bench
from runner.bench_provider import OpenBench, open_simulated
from runner.job import Job
from sim_instruments.manners import Manners

__all__ = ["FEW", "Watched", "acceptance", "few", "inputs"]

FEW: dict[str, dict[str, Any]] = {
    "points": {"SETTING_POINTS": 2},
    "setting": {"READINGS": 1},
    "earth_reference": {"READINGS": 3},
    "load_effect": {"PAIRS": 2, "READINGS": 2, "LOAD_SHARES": (0.0, 0.5, 1.0)},
    "tap_map": {"COARSE_V": 2.5, "STEPS_V": (0.5, 0.1)},
    "tap_change": {"BESIDE_V": 0.1},
    "ripple": {"RECORDS": 2, "PEAK_RECORDS": 1, "FLOOR_RECORDS": 1},
    "ripple_findings": {"RECORDS_NEEDED": 2},
    "current_limit": {"READINGS": 1, "KNEE_POINTS": 6},
    "impedance": {"FREQUENCIES_HZ": (170.0,), "RECORDS": 2},
    "headroom": {"RECORDS": 1, "READINGS": 1, "STEP_SHARE": 0.1},
    "source_effect": {"READINGS": 2},
    "drift": {"WARM_UP_S": 300.0, "WATCH_S": 600.0, "ENDS_LEAST": 1},
}
"""Constants of ``runner.checks`` that say how many points and readings a check takes.

A terminal that floats is never still: without scatter its leak would seem surer than it is.
"""
LINK = {"timeout_s": 0.8, "first_timeout_s": 1.0, "late_s": 1.0}
"""Patience in real seconds; the simulated instruments answer at once in real time."""


@contextmanager
def few() -> Iterator[None]:
    """Make every check short inside the block."""
    before: list[tuple[Any, str, Any]] = []
    for name, constants in FEW.items():
        module = importlib.import_module(f"runner.checks.{name}")
        for key, value in constants.items():
            before.append((module, key, getattr(module, key)))
            setattr(module, key, value)
    try:
        yield
    finally:
        for module, key, value in before:
            setattr(module, key, value)


@lru_cache(maxsize=2)
def inputs(over: str) -> Inputs:
    """The compact unit on the simulated bench, links with the patience of these tests."""
    read = load_inputs(find_bench(over), str(Path(__file__).with_name("compact.toml")))
    entries = tuple(
        one.model_copy(update={"link": {**one.link, **LINK}}) for one in read.bench.instrument
    )
    return replace(read, bench=read.bench.model_copy(update={"instrument": entries}))


@dataclass
class Watched:
    """What only the simulated bench knows of a run."""

    bench: Any = None
    asked: list[tuple[str, str, int, str]] = field(default_factory=list)
    """Check, instrument, number of the message with a query, message."""
    check: str = "opening"
    sow: Callable[[str, str, int, str], str | None] | None = None
    """Asked before each message with a query (as in ``asked``): a rule of bad manners, or none."""

    def load_is_off(self) -> bool:
        """The truth about the load's input."""
        return not self.bench.instruments["load"].settings["input"]

    def output_is_off(self) -> bool:
        """The truth about the unit's output."""
        return not self.bench.instruments["supply"].settings["output"]


def acceptance(
    folder: Path,
    rude: dict[str, list[str]],
    only: tuple[str, ...] = (),
    *,
    over: str = "tcp",
    watched: Watched | None = None,
) -> Outcome:
    """Run it; ``only`` these checks of it."""
    watched = watched or Watched()
    wanted = Acceptance(
        inputs=inputs(over), job=Job(serial="S"), out=folder, only=only, quick=True,
        options={"rude": rude},
    )  # fmt: skip
    with few(), _watching(watched):
        return run_acceptance(wanted, _nobody, lambda check, *_: _now_in(watched, check))


def _now_in(watched: Watched, check: str) -> None:
    watched.check = check


def _nobody(_: Any) -> Any:
    raise AssertionError("the simulated bench brings its own hand")


@contextmanager
def _watching(watched: Watched) -> Iterator[None]:
    def opening(*args: Any) -> OpenBench:
        watched.bench = open_simulated(*args)
        return watched.bench  # type: ignore[no-any-return]

    before, admit, end_safely = Manners.before, Manners.admit, engine._end_safely

    def name_of(manners: Manners) -> str:
        known = watched.bench.rudeness.items()
        return next(str(name) for name, rude in known if rude is manners.rudeness)

    def sown(self: Manners, messages: Sequence[str], now_s: float) -> list[str]:
        for offset, message in enumerate(one for one in messages if "?" in one):
            number = self.rudeness.query_count + 1 + offset
            rule = watched.sow and watched.sow(watched.check, name_of(self), number, message)
            if rule:
                self.rudeness.add(rule)
        return admit(self, messages, now_s)

    def noted(self: Manners, message: str, instrument: Any) -> None:
        before(self, message, instrument)
        if "?" in message:
            number = self.rudeness.query_count
            watched.asked.append((watched.check, name_of(self), number, message))

    def ended(run: engine.Run, how: str, reason: str) -> engine.Ending:
        if how != "complete":
            watched.sow = None  # what stopped the run is the last that was sown
        return end_safely(run, how, reason)

    runner.acceptance.open_simulated = opening  # type: ignore[attr-defined]
    engine._end_safely = ended
    Manners.before, Manners.admit = noted, sown  # type: ignore[method-assign]
    try:
        yield
    finally:
        runner.acceptance.open_simulated = open_simulated  # type: ignore[attr-defined]
        engine._end_safely = end_safely
        Manners.before, Manners.admit = before, admit  # type: ignore[method-assign]
