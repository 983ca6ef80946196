"""Findings of the tap map on made-up events, against practice and arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest

from runner.checks import tap_map_findings
from runner.checks.tap_glitch import glitch_v
from runner.finding import Decision, Finding
from tests.checks import made_up
from tests.checks.made_up import data, volts
from tests.checks.tap_events import tap_events

PROFILE = made_up.profile()


def _one(findings: list[Finding], what: str, at: str = "") -> Finding:
    found = [f for f in findings if f.what.startswith(what) and at in f.at]
    assert len(found) == 1, [(f.what, f.at) for f in findings]
    return found[0]


def test_half_the_last_step_is_taken_off_each_way() -> None:
    # The point lies within the last step: its middle, half a step as a rectangle (GUM 4.3.7).
    found = tap_map_findings.findings(data("tap-map", events=tap_events(12.5, 11.9)), PROFILE)
    rising = _one(found, "tap point 1, rising")
    falling = _one(found, "tap point 1, falling")
    assert rising.value == pytest.approx(12.4975)
    assert falling.value == pytest.approx(11.9025)
    width = _one(found, "hysteresis of tap point 1")
    assert width.value == pytest.approx(0.595)
    assert {rising.decision, falling.decision, width.decision} == {Decision.PASS}


def test_passes_that_were_given_up_count_only_when_there_were_enough() -> None:
    given_up = {"what": "passes-given-up", "tap": 1, "share": 0.5, "direction": "rising",
                "reason": "the output does not come to rest"}  # fmt: skip
    events = tap_events(12.5, 11.9)  # three passes each way
    few = tap_map_findings.findings(
        data("tap-map", events=[*events, {**given_up, "wanted": 5}]), PROFILE
    )
    rising = _one(few, "tap point 1, rising")
    assert rising.decision is Decision.NOT_MEASURED
    assert "only 3 of 5" in rising.reason and "come to rest" in rising.reason
    enough = tap_map_findings.findings(
        data("tap-map", events=[*events, {**given_up, "wanted": 3}]), PROFILE
    )
    assert _one(enough, "tap point 1, rising").decision is Decision.PASS


def test_a_change_whose_own_reading_was_lost_is_not_measured_for_that_reason() -> None:
    lost = volts(None, "no answer in time").to_dict()
    events = [
        {**event, "quiet_v": 12.49, "reading": lost} if event["what"] == "tap-change" else event
        for event in tap_events(12.5, 11.9)
    ]
    found = tap_map_findings.findings(data("tap-map", events=events), PROFILE)
    rising = _one(found, "tap point 1, rising")
    assert (rising.decision, rising.reason) == (Decision.NOT_MEASURED, "no answer in time")


def test_too_little_hysteresis_fails() -> None:
    # Proposed default of practice: at least 0.3 V.
    found = tap_map_findings.findings(data("tap-map", events=tap_events(12.5, 12.4)), PROFILE)
    assert _one(found, "hysteresis of tap point 1").decision is Decision.FAIL


def test_a_tap_point_that_is_missing_fails() -> None:
    events = [{"what": "windings", "found": [], "expected": 1}]
    found = tap_map_findings.findings(data("tap-map", events=events), PROFILE)
    assert _one(found, "tap point 1, rising").decision is Decision.FAIL
    assert _one(found, "changes of winding").decision is Decision.FAIL


def test_chatter_fails_and_names_the_place() -> None:
    # Practice: two opposite changes within 2 s with the knob still are chatter.
    events = [
        *tap_events(12.5, 11.9),
        {"what": "dwell", "tap": 1, "share": 0.5, "direction": "rising", "at_v": 12.51,
         "offset_v": 0.01, "seconds": 1.1, "changes": 24, "chatter": True, "watched": True},
    ]  # fmt: skip
    finding = _one(
        tap_map_findings.findings(data("tap-map", events=events), PROFILE), "changes of winding at"
    )
    assert finding.decision is Decision.FAIL and "12.51 V" in finding.reason


def test_a_coil_that_moves_without_power_is_a_contact_or_winding() -> None:
    # Practice: coil says on but inlet power did not step -> contact or winding fault.
    events = [
        *tap_events(12.5, 11.9),
        {"what": "sensors-compared", "tap": 1, "share": 0.5, "direction": "rising", "windings": 1,
         "power_before_w": 44.6, "power_after_w": 44.7, "power_steps": 0, "power_blind": False},
    ]  # fmt: skip
    finding = _one(
        tap_map_findings.findings(data("tap-map", events=events), PROFILE), "inlet power follows"
    )
    assert finding.decision is Decision.FAIL and "contact or winding" in finding.reason


def test_a_power_meter_that_is_blind_at_light_load_accuses_nobody() -> None:
    events = [
        *tap_events(12.5, 11.9),
        {"what": "sensors-compared", "tap": 1, "share": 0.03, "direction": "rising", "windings": 1,
         "power_before_w": 9.1, "power_after_w": 9.2, "power_steps": 0, "power_blind": True},
    ]  # fmt: skip
    found = tap_map_findings.findings(data("tap-map", events=events), PROFILE)
    assert not [f for f in found if "inlet power" in f.what]


def test_a_glitch_is_what_leaves_both_resting_levels() -> None:
    samples = np.r_[np.full(300, 12.49), np.full(40, 12.41), np.full(660, 12.51)]
    assert glitch_v(samples, 1e-4, -0.03) == pytest.approx(0.08)
    assert isinstance(glitch_v(samples, 1e-4, 0.0), str)
    assert isinstance(glitch_v([math.nan] * 1000, 1e-4, -0.03), str)


def test_a_change_that_the_scope_did_not_record_is_said_to_be_missing() -> None:
    lost = {"what": "change-not-recorded", "tap": 1, "share": 1.0, "direction": "rising"}
    events = [*tap_events(12.5, 11.9), lost]
    found = tap_map_findings.findings(data("tap-map", events=events), PROFILE)
    glitch = _one(found, "glitch at tap point 1, rising")
    assert glitch.decision is Decision.NOT_MEASURED
    assert "recorded no change" in glitch.reason


def test_a_record_of_a_change_that_is_no_good_is_said_to_be_missing_with_its_reason() -> None:
    at = {"tap": 1, "share": 1.0, "direction": "rising", "shows": "output"}
    coil = {**at, "direction": "falling", "shows": "coil"}
    events = [
        *tap_events(12.5, 11.9),
        {"what": "waveform-invalid", "reason": "clipped", "at": at},
        {"what": "waveform-invalid", "reason": "stale", "at": coil},
    ]
    found = tap_map_findings.findings(data("tap-map", events=events), PROFILE)
    glitch = _one(found, "glitch at tap point 1, rising")
    assert (glitch.decision, glitch.reason) == (Decision.NOT_MEASURED, "clipped")
    assert not [f for f in found if f.what.startswith("glitch") and "falling" in f.what]
