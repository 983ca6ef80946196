"""The next measurement: a check that the record lacks, else by hand with its clip and hazard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from runner.checks.order import ALL
from runner.diagnose.causes import load_causes
from runner.diagnose.likelihood import BAD_LUCK
from runner.diagnose.next_measurement import next_between, steps
from runner.profile import find_profile, load_profile
from runner.record.reader import Record

PROFILE = load_profile(find_profile("lb-2403"))
SCOPE = {"role": "scope", "reference": "earthed"}


def _record(*checks: str, scope: dict[str, str] | None = None) -> Record:
    lines: list[dict[str, Any]] = [{"kind": "record", "bench": {"instrument": [scope or SCOPE]}}]
    for name in checks:
        reading = {"quantity": "output-voltage", "value": 1.0, "unit": "V", "instrument": "meter",
                   "function": "dc-volts", "t_read_s": 0.0, "at": {}}  # fmt: skip
        lines.append({"kind": "reading", "check": name, "t_mono_s": 0.0, **reading})
    return Record(Path("none"), lines, "", len(lines))


def test_the_table_names_causes_checks_and_clips_that_exist() -> None:
    clips, pairs = steps()
    known = {one.name for one in load_causes()} | {BAD_LUCK}
    for pair in pairs:
        assert set(pair.one) | set(pair.other) <= known
        assert not set(pair.one) & set(pair.other)
        assert not pair.check or (pair.check in {one.name for one in ALL} and pair.by_check)
        assert not pair.clip or pair.clip in clips


def test_every_cause_has_a_measurement_against_some_other() -> None:
    _, pairs = steps()
    told = {name for pair in pairs for name in (*pair.one, *pair.other)}
    assert {one.name for one in load_causes()} <= told


def test_a_check_that_the_record_lacks_comes_first() -> None:
    text = next_between("reservoir-dried", "relay-contact-worn", _record(), PROFILE)
    assert text is not None and "lacks the check switching" in text


def test_what_was_measured_already_is_not_asked_for_again() -> None:
    record = _record("switching")
    for pair in (("reservoir-dried", "relay-contact-worn"),
                 ("relay-contact-worn", "reservoir-dried")):  # fmt: skip
        text = next_between(*pair, record, PROFILE)
        assert text is not None and "lacks" not in text
        assert "Case open" in text and "up to about 43 V" in text  # 1.8 times 24 V
        assert "protective earth" in text


def test_a_scope_that_floats_is_not_called_earthed() -> None:
    record = _record("switching", scope={"role": "scope", "reference": "differential"})
    text = next_between("reservoir-dried", "relay-contact-worn", record, PROFILE)
    assert text is not None and "shells on protective earth" not in text


@pytest.mark.parametrize("other", ["", "none-of-these", "nonsense"])
def test_a_pair_that_nobody_thought_of_has_none(other: str) -> None:
    assert next_between("reservoir-dried", other, _record(), PROFILE) is None
