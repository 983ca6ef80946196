"""A fault at every place: bad manners at any transaction of an acceptance on the simulated bench.

Whatever goes wrong with one answer, the run either completes with the same findings or stops
with a reason; the load is put off and read back off, or said loudly not to be; no wrong value
passes. Two short checks stand for the whole (all instruments but the scope's in one, the scope in
the other); a sample of places runs each time, ``-m slow`` runs every place.
"""

from __future__ import annotations

import random
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from runner.acceptance import Acceptance, Outcome, load_inputs, run_acceptance
from runner.bench import find_bench
from runner.errors import BenchError
from runner.finding import Finding
from runner.job import Job

KINDS = {
    "never answered": "mute",
    "late, within patience": "late:by=1.2s",
    "late, beyond patience": "late:by=6s",
    "torn": "torn:after=4",
    "in pieces": "segments:size=1,gap=0.01",
    "doubled": "double",
    "carriage return before the end": r"tail:text=\r\n",
    "NUL in front": r"head:text=\0",
    "a warning in front": "junk:text=WARNING",
    "a number in front": "junk:text=+5.0E+00",
    "a number behind": "more:text=+5.0E+00",
    "garbage": "say:text=garbage",
    "not a number": "say:text=+9.91E37",
    "closed": "close",
    "reset": "reset",
    "never ends": "endless:gap=0.05",
    "not heard": "deaf",
    "error queue overflows": "overflow",
}
CHECKS = {"meter": "load-effect", "load": "load-effect", "supply": "load-effect", "scope": "ripple"}
PLACES = {"meter": 600, "load": 95, "supply": 38, "scope": 900}
"""Questions that each of them is asked in its check, rounded down."""
PLACED = [
    (kind, name, place) for kind in KINDS for name in CHECKS for place in range(1, PLACES[name])
]
SAMPLE = [
    *random.Random(7).sample(PLACED, 10),
    *((kind, "load", 3 + 5 * n) for n, kind in enumerate(KINDS)),
]


def run(folder: Path, check: str, rude: dict[str, list[str]], over: str) -> Outcome:
    inputs = load_inputs(find_bench(over), None)
    wanted = Acceptance(
        inputs=inputs, job=Job(serial="S"), out=folder, only=(check,), quick=True,
        options={"rude": rude},
    )  # fmt: skip
    return run_acceptance(wanted, _nobody, lambda *_: None)


def _nobody(_: Any) -> Any:
    raise AssertionError("the simulated bench brings its own hand")


@lru_cache(maxsize=8)
def healthy(check: str) -> tuple[Finding, ...]:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        outcome = run(Path(folder), check, {}, "memory")
        assert outcome.ending.how == "complete"
        return tuple(outcome.assessment.findings)


def rule_at(kind: str, place: int) -> str:
    text = KINDS[kind]
    return f"{text}{',' if ':' in text else ':'}query={place}"


def judge(folder: Path, kind: str, name: str, place: int, over: str = "memory") -> str:
    """Run with the fault; the outcome, or an AssertionError."""
    check = CHECKS[name]
    try:
        outcome = run(folder, check, {name: [rule_at(kind, place)]}, over)
    except BenchError as error:  # while the bench was being opened: nothing was energised
        assert len(str(error)) > 20
        return "stopped"
    assert outcome.ending.load_off_confirmed is not None
    if outcome.ending.how != "complete":
        assert outcome.ending.reason
        assert outcome.ending.load_off_confirmed
        return "stopped"
    assert outcome.ending.load_off_confirmed
    compare(healthy(check), tuple(outcome.assessment.findings))
    return "same"


def compare(due: tuple[Finding, ...], found: tuple[Finding, ...]) -> None:
    assert [one.what for one in due] == [one.what for one in found]
    for a, b in zip(due, found, strict=True):
        if b.value is None:  # said to be missing is allowed, a wrong value is not
            assert b.decision != "pass" and b.reason
            continue
        assert a.decision == b.decision, (a, b)
        assert a.value is not None
        allowed = (a.u_expanded or 0.0) + (b.u_expanded or 0.0) + 1e-3 * abs(a.value) + 1e-6
        assert abs(a.value - b.value) <= allowed, (a, b)


@pytest.mark.parametrize(("kind", "name", "place"), SAMPLE)
def test_fault_at_a_place(tmp_path: Path, kind: str, name: str, place: int) -> None:
    assert judge(tmp_path, kind, name, place) in {"same", "stopped"}


@pytest.mark.parametrize(("kind", "name", "place"), SAMPLE[:3])
def test_fault_at_a_place_over_sockets(tmp_path: Path, kind: str, name: str, place: int) -> None:
    assert judge(tmp_path, kind, name, place, "tcp") in {"same", "stopped"}


@pytest.mark.slow
@pytest.mark.parametrize("name", CHECKS)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.timeout(36000)
def test_fault_at_every_place(tmp_path: Path, kind: str, name: str) -> None:
    outcomes = [judge(tmp_path / str(n), kind, name, n) for n in range(1, PLACES[name])]
    assert set(outcomes) <= {"same", "stopped"}
