"""A fault at every place: a sample each time, all places with ``-m slow``.

Whatever goes wrong with one answer, the run either completes with the same findings or stops
with a reason; the load is put off and read back off, or said loudly not to be; nothing recorded
is lost, nothing hangs, no wrong value passes. See :mod:`tests.faults.every_place`.
"""

from __future__ import annotations

import json
import random
from dataclasses import replace
from functools import lru_cache
from itertools import islice

import pytest

from runner.checks.order import NAMES
from tests.faults.compact import FEW, few
from tests.faults.every_place import (
    HARMFUL,
    KINDS,
    Place,
    cases,
    compare,
    healthy,
    judge,
    places,
)
from tests.faults.place_table import TABLE

SAMPLED = 24


@lru_cache(maxsize=1)
def sample() -> list[Place]:
    return list(islice(cases(), SAMPLED))


def test_the_compact_acceptance_holds_every_check_and_passes() -> None:
    findings, watched = healthy("")
    # the quick acceptance leaves drift out, which asks what load effect asks, for an hour, and the
    # outside source, which a person's hands work
    assert {one.check for one in findings} == set(NAMES) - {"soak", "drift", "back-feed"}
    assert {one.decision for one in findings} == {"pass"}
    assert {name for _, name, _, _ in watched.asked} == set(watched.bench.instruments)


def test_short_checks_are_long_again_afterwards() -> None:
    from runner.checks import load_effect

    before = load_effect.READINGS
    with few():
        assert load_effect.READINGS == FEW["load_effect"]["READINGS"] != before
    assert before == load_effect.READINGS


@pytest.mark.parametrize("number", range(SAMPLED))
def test_fault_at_a_place(number: int) -> None:
    result = judge(sample()[number])
    assert result["wrong"] == [], (sample()[number], result)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in HARMFUL])
def test_odd_manners_that_lose_nothing_change_nothing(kind: str) -> None:
    name, number, _ = random.Random(kind).choice(places("load-effect"))
    result = judge(Place("load-effect", name, number, kind))
    assert (result["said"], result["wrong"]) == ("completed", [])


def test_the_judge_notices_a_wrong_value() -> None:
    due = healthy("setting")[0]
    moved = tuple(replace(one, value=2.0 * (one.value or 0.0) + 5.0) for one in due)
    assert len(compare(due, moved)) == len(due)
    lost = tuple(replace(one, value=None, reason="no answer") for one in due)
    assert len(compare(due, lost)) == len(due)  # they still pass, without a value


def test_the_table_is_of_a_clean_run() -> None:
    figures = json.loads(TABLE.read_text(encoding="utf-8"))
    for layer in (figures["pairs"], figures["whole"]):
        assert layer["wrong"] == []
        assert len(layer["kinds"]) >= 12
        assert layer["cases"] == sum(sum(row.values()) for row in layer["kinds"].values())


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_fault_at_every_place() -> None:
    results = [(place, judge(place)) for place in cases()]
    assert [(place, result) for place, result in results if result["wrong"]] == []
