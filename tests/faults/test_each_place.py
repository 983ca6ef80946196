"""What is sown next, and what the results of a run mean for it; all of it with ``-m slow``."""

from __future__ import annotations

import json
import random
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from runner.checks.order import NAMES
from tests.faults.each_place import KINDS, MISSES, Counting, Plan, main, spots
from tests.faults.many_places import APART, ENDING, Pair, key_of

READ, RANGE = ("setting", "meter", "READ?"), ("setting", "meter", "RANG?")


def _spots(*classes: Pair, many: int = 4) -> set[Pair]:
    return {
        (*words, str(n), kind) for words in classes for n in range(1, many + 1) for kind in KINDS
    }


def _line(spot: Pair, said: str = "completed", **more: Any) -> dict[str, Any]:
    return {"case": key_of(spot), "said": said, "wrong": [], **more}


def test_the_kinds_are_the_harmful_ones_but_the_overflow() -> None:
    assert ENDING not in KINDS
    assert len(KINDS) >= 12


def test_each_question_of_a_class_is_a_place_of_its_own() -> None:
    due = {(*READ, "1", "mute"), (*READ, "3", "torn")}
    sower = Counting({(*READ, "3", "never answered")}, random.Random(1))
    assert len({key_of(spot) for spot in due}) == 2
    rules = [sower("setting", "meter", n, "READ?") for n in range(1, 5)]
    assert [n for n, rule in enumerate(rules, 1) if rule] == [3]
    assert sower.counted[READ] == 4


def test_faults_of_a_mixture_lie_apart() -> None:
    sower = Counting(_spots(READ, many=200), random.Random(2))
    at = [n for n in range(200) if sower("setting", "meter", n, "READ?")]
    assert len(at) > 5
    assert min(b - a for a, b in pairwise(at)) > APART


def test_what_is_done_is_not_due_again() -> None:
    due = _spots(READ)
    plan = Plan(due, {key_of((*READ, "1", KINDS[0]))}, 0)
    assert plan.due == due - {(*READ, "1", KINDS[0])}
    only, _, mine = plan.next_run() or ("", 0, set())
    assert only == "setting"  # few are due: a run of their check takes them
    assert len({spot[:4] for spot in mine}) == len(mine)  # one kind a place
    plan.learn("setting", mine, [_line(spot) for spot in mine], Counter({READ: 4}))
    assert not plan.due & mine


def test_a_kind_that_ended_a_run_is_sown_alone() -> None:
    plan = Plan(_spots(READ, RANGE), set(), 0)
    stopped = (*READ, "1", KINDS[0])
    plan.learn("setting", {stopped}, [_line(stopped, "stopped")], Counter({READ: 4}))
    like = {(*READ, str(n), KINDS[0]) for n in (2, 3, 4)}
    assert {spot for spot in plan.due if plan.ends(spot)} == like
    alone: set[Pair] = set()
    while plan.due - plan.busy:
        _, _, mine = plan.next_run() or ("", 0, set())
        if mine & like:
            assert len(mine) == 1
            alone |= mine
        else:
            plan.learn(
                "setting", mine, [_line(spot) for spot in mine], Counter({READ: 4, RANGE: 4})
            )
    assert alone == like


def test_where_a_finding_is_missing_each_fault_is_tried_alone() -> None:
    plan = Plan(_spots(READ), set(), 0)
    doubtful = [(*READ, "1", KINDS[0]), (*READ, "2", KINDS[1])]
    lines = [{"case": "doubtful", "said": "completed", "wrong": [], "doubtful": doubtful}]
    plan.learn("setting", set(doubtful), lines, Counter({READ: 4}))
    assert all(plan.ends(spot) and spot in plan.due for spot in doubtful)


def test_a_place_that_no_run_comes_to_is_said_to_be_not_reached() -> None:
    last = (*READ, "4", KINDS[0])
    plan = Plan({last}, set(), 0)
    for _ in range(MISSES):
        assert not plan.not_reached()
        plan.learn("setting", {last}, [], Counter({READ: 3}))
        plan.learn("", {last}, [], Counter({READ: 3}))  # a whole acceptance ends otherwise
    assert [line["said"] for line in plan.not_reached()] == ["not reached"]
    assert not plan.due


def test_faults_while_the_bench_is_opened_are_always_alone() -> None:
    plan = Plan({(NAMES[0], "meter", "*IDN?", "1", kind) for kind in KINDS}, set(), 0)
    assert all(len((plan.next_run() or ("", 0, set()))[2]) == 1 for _ in KINDS)
    assert plan.next_run() is None


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_each_question_by_each_kind(tmp_path: Path) -> None:
    file = tmp_path / "each.jsonl"
    main(file, 1e9, 8)
    lines = [json.loads(text) for text in file.read_text(encoding="utf-8").splitlines()]
    assert {key_of(spot) for spot in spots()} <= {line["case"] for line in lines}
    assert [line for line in lines if line["wrong"]] == []
