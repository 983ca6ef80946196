"""What the failures point to, as the report tells it: the first causes and what to measure next."""

from __future__ import annotations

from reports.catalogue import Strings
from runner.assess import Assessment
from runner.diagnose.diagnosis import Diagnosis, diagnose
from runner.diagnose.estimate import estimate_text
from runner.finding import Decision
from runner.record.reader import Record

__all__ = ["causes_of"]

SHOWN, SIGNS, LEAST_P = 3, 3, 0.05
REMEDIES = 2
BAD = {Decision.FAIL, Decision.CONDITIONAL_FAIL}
RAW = ("reservoir", "rail-current", "headroom")
TELLING = {
    "reservoir-dried": RAW, "reservoir-leaky": RAW, "bridge-diode-open": ("headroom",),
    "relay-contact-worn": RAW, "winding-open": ("headroom",), "tap-stuck-low": ("headroom",),
    "coil-weak": ("headroom",), "output-capacitor-dried": ("output-capacitor", "output-esr"),
    "regulator-oscillating": ("output-capacitor", "output-esr"), "pass-leak": ("pass-leak",),
    "tap-chatter": ("hysteresis", "disturbance"),
    "tap-threshold-shift": ("threshold-move", "headroom"), "output-earth-leak": ("earth",),
    "output-earth-short-positive": ("earth",), "output-earth-short-negative": ("earth",),
}  # fmt: skip
"""Which estimates, by the first word of their name, say something about a cause."""


def causes_of(record: Record, assessment: Assessment, strings: Strings) -> list[tuple[str, str]]:
    """Return a title and its lines for each of the first causes; nothing when nothing fails.

    Numbers and remedies that belong to these causes follow in rows of their own.
    """
    if not any(f.decision in BAD for f in assessment.findings):
        return []
    found = diagnose(record, assessment)
    rows, nothing = [], strings.fill("causes.nothing")
    shown = [one for one in found.suspects[:SHOWN] if one.probability >= LEAST_P and one.for_]
    if not shown:
        rows.append((strings.fill("causes.none"), found.summary))
    for one in shown:
        text = strings.fill(
            "causes.evidence",
            supports="; ".join(one.for_[:SIGNS]) or nothing,
            against="; ".join(one.against[:SIGNS]) or nothing,
            next=one.next,
        )
        rows.append((f"{one.title} ({one.probability:.0%})", text))
    if found.unseen:
        rows.append((strings.fill("causes.unseen"), found.unseen))
    numbers = _numbers(found, [one.cause for one in shown])
    if numbers:
        rows.append((strings.fill("causes.estimates"), "\n".join(numbers)))
    if found.remedies:
        worth = "\n".join(one.what for one in found.remedies[:REMEDIES])
        rows.append((strings.fill("causes.remedies"), worth))
    return rows


def _numbers(found: Diagnosis, causes: list[str]) -> list[str]:
    """Estimates that say something about these causes."""
    wanted = {name for cause in causes for name in TELLING.get(cause, ())}
    return [
        estimate_text(one)
        for one in found.estimates
        if one.high is not None and one.name.split()[0] in wanted
    ]
