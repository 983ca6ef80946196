"""An instrument whose calibration has run out, is unknown or from memory makes no plain pass.

ILAC-G8:09/2019 rests on traceable uncertainties; ISO/IEC 17025:2017, 6.4.7 to 6.4.9, takes an
instrument that is overdue out of service (both from memory).
"""

from __future__ import annotations

import pytest

from runner.checks import load_effect_findings
from runner.finding import Decision
from tests.checks import made_up
from tests.checks.made_up import LOAD, METER, amps, data, volts

PROFILE = made_up.profile()
READINGS = [
    reading
    for pair in (1, 2, 3, 4)
    for load, value_v in (("none", 12.000), ("full", 11.994))
    if not (pair == 4 and load == "full")
    for reading in (
        *(volts(value_v, set_v=12.0, pair=pair, load=load) for _ in range(3)),
        *([amps(3.0, set_v=12.0, pair=pair, load=load)] if load == "full" else []),
    )
]


def _load_effect(**meter: object) -> tuple[Decision, str]:
    instruments = {"meter": {**METER, **meter}, "load": LOAD}
    found = load_effect_findings.findings(
        data("load-effect", READINGS, instruments=instruments), PROFILE
    )
    return found[0].decision, found[0].reason


def test_in_date_it_passes() -> None:
    assert _load_effect() == (Decision.PASS, "")


@pytest.mark.parametrize(
    ("meter", "said"),
    [
        ({"calibration_due": "2026-04-30"}, "calibration was due 2026-04-30, 1 days ago"),
        ({"calibration_due": None}, "no calibration date known"),
        ({"accuracy": {}}, "the accuracy is not known"),
        (
            {"accuracy": {"dc-volts": {**METER["accuracy"]["dc-volts"], "ranges": [  # type: ignore[index, dict-item]
                {"range": 100.0, "pct_reading": 0.0045, "pct_range": 0.0006,
                 "resolution": 1e-4, "from_memory": True}]}}},
            "from memory",
        ),
    ],
    ids=["overdue", "no date", "unknown accuracy", "from memory"],
)  # fmt: skip
def test_else_it_is_conditional_and_says_why(meter: dict[str, object], said: str) -> None:
    decision, reason = _load_effect(**meter)
    assert decision is Decision.CONDITIONAL_PASS
    assert said in reason
