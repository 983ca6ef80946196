"""Questions before power, and what an ask-grade hazard turns into."""

from __future__ import annotations

from runner.bench import Bench, find_bench, load_bench
from runner.hookup import judge, line_up_questions, unproved_earth
from runner.profile import find_profile, load_profile

PROFILE = load_profile(find_profile("lb-2403"))
MEMORY = load_bench(find_bench("memory"))


def _with(**unit: str) -> Bench:
    return MEMORY.model_copy(update={"unit": MEMORY.unit.model_copy(update=unit)})


def _topics(bench: Bench) -> list[str]:
    return [q.topic.removeprefix("line-up:") for q in line_up_questions(bench, PROFILE)]


def test_a_closed_case_is_asked_about_and_an_open_one_needs_a_reason() -> None:
    assert "case" in _topics(_with(case="closed"))
    assert "case" not in _topics(_with(case="open"))
    confirms = judge(_with(case="open"), PROFILE).requests()
    assert [c.code for c in confirms] == ["case-open"]
    assert confirms[0].text.endswith("Go on all the same?")


def test_the_strap_is_asked_about_as_the_file_says() -> None:
    asked = {q.topic: q.text for q in line_up_questions(_with(earth_strap="minus"), PROFILE)}
    assert "−" in asked["line-up:strap"]
    asked = {q.topic: q.text for q in line_up_questions(_with(earth_strap="none"), PROFILE)}
    assert "taken off" in asked["line-up:strap"]


def test_the_line_selector_is_asked_with_the_rated_voltage() -> None:
    asked = {q.topic: q.text for q in line_up_questions(MEMORY, PROFILE)}
    assert "230 V" in asked["line-up:selector"]


def test_what_stands_in_the_line_is_asked_about() -> None:
    mains = MEMORY.mains.model_copy(update={"chain": ("variac", "lamp-limiter")})
    topics = _topics(MEMORY.model_copy(update={"mains": mains}))
    assert {"variac", "lamp"} <= set(topics)


def test_every_question_wants_yes() -> None:
    assert all(question.expected for question in line_up_questions(MEMORY, PROFILE))


def test_an_earthed_lead_without_the_earth_reference_is_refused() -> None:
    earthed = load_bench(find_bench("earthed-scope"))
    assert "scope.ch1.shell" in str(unproved_earth(earthed, PROFILE, ["setting", "ripple"]))
    assert unproved_earth(earthed, PROFILE, ["earth-reference", "ripple"]) is None
    assert unproved_earth(MEMORY, PROFILE, ["ripple"]) is None
