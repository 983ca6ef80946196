"""Before power: the proper safety tester's values, by protection class, before a plug goes in.

The values are typed in or come from a file. What is missing must be waived in so many words,
and the waiver stays in the record; a value beyond its limit ends the work. Nothing here says
that a unit is electrically safe: that is for the local codes and a licensed person.
"""

from __future__ import annotations

from dataclasses import replace

from runner.checks.before_power_limits import QUESTIONS, SafetyLimit, SafetyQuestion, limits_for
from runner.checks.before_power_values import TOPIC
from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.judging import Judge
from runner.checks.walk import walk
from runner.errors import HazardStop
from runner.finding import Finding
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.operator.requests import AskNumber, AskYesNo, Confirm
from runner.profile import Profile
from runner.quantity import format_quantity
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK"]

NAME = "before-power"
LOOKED = (
    "Looked over: cord and strain relief whole, right fuse, line selector, nothing loose in the"
    " case, insulators and posts in place?"
)
TESTER_ERROR = 0.30
TESTER_SOURCE = "EN 61557-1: testers may be 30 % out in use (from memory)"
DEFAULT_CORD_M = 2.0
SECONDS_A_VALUE = 5.0


class BeforePower:
    """Look, earth bond, insulation, leakage: asked, never measured by this program."""

    name = NAME
    title = "Values of the safety tester"
    question = "Did the safety tester, before power, show what it should?"

    def plan(self, conditions: Conditions) -> Plan:
        """A question a value; nothing is energised."""
        limits = limits_for(conditions.profile.unit.protection_class, DEFAULT_CORD_M)
        seconds = SECONDS_A_VALUE * (len(limits) + 2)
        return Plan(duration_s=seconds, hands=("safety tester",))

    def measure(self, work: Workplace) -> None:
        """Ask, keep, and refuse to go on where something is missing or beyond its limit."""
        protection = work.profile.unit.protection_class
        looked = work.operator.answer(AskYesNo(f"{TOPIC}:look", LOOKED))
        work.log.event("look", done=looked.done, words=looked.words)
        if not looked.done:
            raise HazardStop("the unit was not looked over, or did not look right: no power")
        cord_m = _cord_m(work)
        work.log.event("arrangement", protection_class=protection, cord_m=cord_m)
        limits = limits_for(protection, cord_m)
        typed: dict[str, Reading] = {}

        def one(_number: int, limit: SafetyLimit) -> None:
            typed[limit.key] = _ask(work, QUESTIONS[limit.key], limit)

        walk(work, limits, lambda limit: limit.key, one)
        missing, beyond = [], []
        for limit in limits:
            value = typed[limit.key].value
            if value is None:
                missing.append(QUESTIONS[limit.key].what)
            elif _outside(value, limit):
                beyond.append(_said(QUESTIONS[limit.key], value, limit))
        if beyond:
            raise HazardStop("no power to this unit: " + "; ".join(beyond))
        if missing:
            _waive(work, missing)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """Each value against its limit; what was waived is not measured, with the reason."""
        judge = Judge(NAME, profile)
        looks = data.events_of("look")
        places = data.events_of("arrangement")
        if not looks or not places:
            return []
        found = [
            judge.count(
                "looked over", float(bool(looks[0]["done"])), Limit.at_least(1.0), "practice"
            )
        ]
        waiver = next((e["reason"] for e in data.events_of("waiver")), "")
        for limit in limits_for(profile.unit.protection_class, float(places[0]["cord_m"])):
            found.append(_finding(data, judge, limit, waiver))
        return found


def _cord_m(work: Workplace) -> float:
    request = AskNumber(
        f"{TOPIC}:cord-length", "How long is the mains cord?", unit="m", low=0.1, high=100.0
    )
    answer = work.operator.answer(request)
    return answer.value if answer.value is not None else DEFAULT_CORD_M


def _ask(work: Workplace, question: SafetyQuestion, limit: SafetyLimit) -> Reading:
    request = AskNumber(
        f"{TOPIC}:{question.key}", question.text, unit=question.asked_unit, low=0.0,
        high=question.most,
    )  # fmt: skip
    answer = work.operator.answer(request)
    value = answer.value * question.factor if answer.done and answer.value is not None else None
    if value is not None and _outside(value, limit):  # a slip of the finger would end the work
        said = f"{_said(question, value, limit)}. Look again and type what the tester shows."
        answer = work.operator.answer(replace(request, text=said))
        value = answer.value * question.factor if answer.done and answer.value is not None else None
    reading = Reading(
        question.key, value, question.unit, "safety tester", question.key,
        u=None if value is None else TESTER_ERROR * value / 3**0.5, raw=answer.words,
        t_mono_s=work.clock.mono_s(), reason="not given" if value is None else None,
    )  # fmt: skip
    return work.log.reading(reading, limit=limit.source)


def _outside(value: float, limit: SafetyLimit) -> bool:
    too_low = limit.low is not None and value < limit.low
    return too_low or (limit.high is not None and value > limit.high)


def _said(question: SafetyQuestion, value: float, limit: SafetyLimit) -> str:
    word, bound = ("at least", limit.low) if limit.low is not None else ("at most", limit.high)
    allowed = format_quantity(bound or 0.0, question.unit, 3)
    shown = format_quantity(value, question.unit, 3)
    return f"{question.what} is {shown}, allowed is {word} {allowed} ({limit.source})"


def _waive(work: Workplace, missing: list[str]) -> None:
    request = Confirm(
        f"{TOPIC}:waiver",
        "Not given: " + ", ".join(missing) + ". Going on without is for people who may decide that"
        " where they work; the reason is kept and printed. Go on all the same?",
        code="safety-values-missing",
    )
    answer = work.operator.answer(request)
    if not answer.done or not answer.words.strip():
        raise HazardStop("without the safety tester's values, or a waiver with a reason, no power")
    work.log.event("waiver", reason=answer.words.strip(), missing=missing)


def _finding(data: CheckData, judge: Judge, limit: SafetyLimit, waiver: str) -> Finding:
    question = QUESTIONS[limit.key]
    values = [one.value for one in data.of(limit.key) if one.value is not None]
    # A least resistance is reached from above: what is left to it counts from the value found.
    nominal = values[-1] if values and limit.low is not None else 0.0
    bounds = Limit(low=limit.low, high=limit.high, nominal=nominal)
    if not values:
        reason = f"waived: {waiver}" if waiver else "not given"
        return judge.not_measured(
            question.what, question.unit, reason, limit=bounds, source=limit.source
        )
    half_width = TESTER_ERROR * values[-1]
    name = "accuracy of the safety tester"
    line = Line.from_limit(name, half_width, unit=question.unit, source=TESTER_SOURCE)
    budget = Budget(question.what, question.unit, values[-1], (line,))
    return judge.apply(budget, bounds, limit.source)


CHECK = BeforePower()
