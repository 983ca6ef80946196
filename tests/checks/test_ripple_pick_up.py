"""Shorted leads and an earthed output on the simulated bench: done by hands, and put back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from runner.errors import BenchError
from runner.finding import Decision
from runner.operator.requests import Answer, MoveLead, Request, SetStrap
from tests.checks.simulated import Result, Simulated

GUIDED = ("ripple and noise with", "pick-up of the leads")


class Unwilling:
    """Hands that will not move what ``kind`` asks for, to ``where``."""

    def __init__(self, hands: Any, kind: type[Request], where: str) -> None:
        self.hands, self.kind, self.where = hands, kind, where

    def answer(self, request: Request) -> Answer:
        to = getattr(request, "to", getattr(request, "position", ""))
        mine = isinstance(request, self.kind) and request.topic.startswith("ripple")
        if mine and to == self.where:
            return Answer(done=False)
        answer: Answer = self.hands.answer(request)
        return answer


def _guided(result: Result) -> dict[str, Decision]:
    return {f.what: f.decision for f in result.findings if f.what.startswith(GUIDED)}


def test_a_healthy_unit_passes_and_everything_is_back_in_place(tmp_path: Path) -> None:
    with Simulated(tmp_path) as bench:
        stand = bench.opened.operator.stand
        wires = sorted(stand.wires)
        bench.run("earth-reference")
        result = bench.run("ripple")
        assert (sorted(stand.wires), stand.strap) == (wires, "none")
    assert len(_guided(result)) == 3
    assert set(_guided(result).values()) == {Decision.PASS}
    # With nothing but the scope's own noise on the leads both floors are the same.
    floor_v = [r.value for r in result.data.of("floor-rms") if r.value is not None]
    shorted_v = [r.value for r in result.data.of("shorted-rms") if r.value is not None]
    assert max(shorted_v) == pytest.approx(max(floor_v), rel=0.1)


def test_no_strap_goes_on_an_output_that_is_not_free_of_earth(tmp_path: Path) -> None:
    faults = ["output-earth-short-positive"]
    with Simulated(tmp_path, faults=faults) as bench:
        bench.run("earth-reference")
        hands = bench.opened.operator
        result = bench.run("ripple")
        asked = [r for r in hands.answered if isinstance(r, SetStrap)]
    assert not asked
    assert list(_guided(result)) == ["pick-up of the leads, rms"]


def test_what_hands_will_not_do_is_not_measured(tmp_path: Path) -> None:
    with Simulated(tmp_path) as bench:
        bench.run("earth-reference")
        bench.opened.operator = Unwilling(bench.opened.operator, SetStrap, "minus")
        result = bench.run("ripple")
    assert _guided(result) == {
        "ripple and noise with minus earthed, rms": Decision.NOT_MEASURED,
        "ripple and noise with plus earthed, rms": Decision.NOT_MEASURED,
        "pick-up of the leads, rms": Decision.PASS,
    }


def test_a_lead_that_stays_off_ends_the_run(tmp_path: Path) -> None:
    with Simulated(tmp_path) as bench:
        bench.opened.operator = Unwilling(bench.opened.operator, MoveLead, "unit.plus")
        with pytest.raises(BenchError, match=r"ch1\.tip is not on"):
            bench.run("ripple")
