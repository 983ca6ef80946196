"""Back-feed: an outside source at the output, reversed, with the unit off, with the unit on.

Loads do not source current, so a person joins a source of his own and types what a handheld
meter shows. The profile must say that the maker allows it, and how much (``[back_feed]``);
without that the question is not asked. Steps as in common practice: the diode across the
output must hold a reversed source, a bleeder may draw a little, and the output must be back
where it was when the source is gone.
"""

from __future__ import annotations

import math

from runner.checks.back_feed_findings import NAME, findings
from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.line_steps import switch_mains
from runner.checks.stepping import EXACT_NPLC, go_to, meter_of, range_for, start
from runner.finding import Finding
from runner.operator.requests import AskNumber, JoinSource
from runner.profile import BackFeed, Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK"]

REVERSE_V, REVERSE_A = 3.0, 0.1
"""Open voltage and current limit of the reversed source: an open diode shows all of it."""
TEST_V, ABOVE_V = 5.0, 1.0
"""Set voltage, and how far the source lies above it (common practice)."""
SERIES_OHM, SERIES_STEP_OHM = 100.0, 10.0
READINGS = 5
EMPTY_S = 5.0
"""Rest after the mains went off: an output that still stands would drive the source."""
PLAN_S, TURN_S = 78.0, 30.0
NOT_ASKED = "the profile does not say what the maker allows an outside source to do ([back_feed])"


class OutsideSource:
    """Reversed, off, on, released."""

    name = NAME
    title = "Outside source at the output"
    question = "Does the output bear an outside source, reversed and above its own voltage?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a permission in the profile, a meter, and a person with a second source."""
        allowed = conditions.profile.back_feed is not None
        missing = None
        if conditions.bench.by_role("meter") is None:
            missing = "no meter on the bench: join one to the output terminals"
        return Plan(
            duration_s=PLAN_S + TURN_S * (conditions.profile.unit.setting == "hand"),
            hands=("outside source", "handheld meter", "resistor"),
            missing=missing,
            applies=allowed and not conditions.quick,
            left_out="" if allowed else NOT_ASKED,
        )

    def measure(self, work: Workplace) -> None:
        """First with the mains off, where the source can do least."""
        allowed = work.profile.back_feed
        if allowed is None:
            return
        start(work)
        test_v = min(TEST_V, work.profile.unit.voltage.high / 2, allowed.voltage - ABOVE_V)
        work.output.on(False)
        switch_mains(work, on=False)
        try:
            work.clock.sleep(EMPTY_S)
            _reversed(work, allowed)
            _above(work, allowed, test_v, state="off")
        finally:
            switch_mains(work, on=True)
        work.output.on(True)
        at_v = go_to(work, test_v)
        _read(work, "before", at_v)
        _above(work, allowed, at_v, state="on")
        _read(work, "after", at_v)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.back_feed_findings`."""
        return findings(data, profile)


def _reversed(work: Workplace, allowed: BackFeed) -> None:
    limit_a = min(REVERSE_A, allowed.current)
    text = (
        "Take a second source whose output is not tied to earth. Set it to"
        f" {REVERSE_V:g} V and its current limit to"
        f" {1e3 * limit_a:.0f} mA: short its leads and see that its ammeter shows no more. Then"
        " join it the wrong way round: its plus to the unit's minus, its minus to the unit's plus."
    )
    if not _joined(work, JoinSource("join-source", text, -REVERSE_V, limit_a)):
        return
    asked = "What does a meter show between the unit's terminals, without its sign?"
    _typed(work, "reverse-voltage", asked, "V", 1.5 * REVERSE_V, state="reversed", source_a=limit_a)
    _off(work)


def _above(work: Workplace, allowed: BackFeed, set_v: float, *, state: str) -> None:
    """A source above the set voltage, through a resistor that keeps to what is allowed."""
    source_v = set_v + ABOVE_V
    ohm = max(SERIES_OHM, SERIES_STEP_OHM * math.ceil(source_v / allowed.current / SERIES_STEP_OHM))
    text = (
        f"Set the second source to {source_v:.2f} V and put {ohm:.0f} Ω (1 W) and a handheld"
        " milliammeter into its plus lead. Join it the right way round: plus to plus, minus to"
        f" minus. The unit stays {state}."
    )
    if not _joined(work, JoinSource("join-source", text, source_v, source_v / ohm, ohm)):
        return
    asked = "What current does the milliammeter show?"
    _typed(
        work, "back-feed-current", asked, "A", 2 * source_v / ohm, state=state, source_v=source_v,
        series_ohm=ohm,
    )  # fmt: skip
    _off(work)


def _joined(work: Workplace, request: JoinSource) -> bool:
    answer = work.operator.answer(request)
    if not answer.done:
        state = "reversed" if request.volts < 0 else "above"
        work.log.event("not-joined", state=state, words=answer.words)
    return answer.done


def _off(work: Workplace) -> None:
    work.operator.answer(JoinSource("join-source", "Take the second source off again."))


def _typed(
    work: Workplace, quantity: str, text: str, unit: str, most: float, **at: float | str
) -> None:
    request = AskNumber(f"{NAME}:{quantity}", text, unit=unit, low=0.0, high=most)
    answer = work.operator.answer(request)
    reason = None if answer.value is not None else "was not read"
    work.log.reading(
        Reading(quantity, answer.value, unit, "handheld meter", quantity, raw=answer.words,
                t_mono_s=work.clock.mono_s(), reason=reason),
        **at,
    )  # fmt: skip


def _read(work: Workplace, when: str, set_v: float) -> None:
    range_for(meter_of(work), set_v, EXACT_NPLC)
    work.log.readings(meter_of(work).read_volts_many(READINGS), when=when, set_v=set_v)


CHECK = OutsideSource()
