"""Findings on made-up readings, against worked examples and the trade's own figures.

Sources beside each check; "common practice" where no standard gives the figure.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.checks import (
    current_limit_findings,
    headroom_findings,
    load_effect_findings,
    ripple_findings,
    setting_findings,
    switching_findings,
    transient_findings,
)
from runner.checks.current_limit_findings import knee_width_a
from runner.checks.impedance import square_fundamental_a
from runner.finding import Decision, Finding
from runner.quantity import parse_limit
from runner.reading import Reading
from tests.checks import made_up
from tests.checks.made_up import Wave, amps, data, trace, volts

PROFILE = made_up.profile()


def _one(findings: list[Finding], what: str, at: str = "") -> Finding:
    found = [f for f in findings if f.what.startswith(what) and at in f.at]
    assert len(found) == 1, [(f.what, f.at) for f in findings]
    return found[0]


# ---- load effect ---------------------------------------------------------------------------


def _pairs(no_load_v: float, full_v: float, load_a: float, drift_v: float = 0.0) -> list[Reading]:
    readings, step = [], 0
    for pair in (1, 2, 3, 4):
        for load, value in (("none", no_load_v), ("full", full_v)):
            if pair == 4 and load == "full":
                continue
            for _ in range(3):
                value_v = value + step * drift_v
                readings.append(volts(value_v, set_v=12.0, pair=pair, load=load))
            step += 1
            if load == "full":
                readings.append(amps(load_a, set_v=12.0, pair=pair, load="full"))
    return readings


def test_load_effect_of_the_worked_example() -> None:
    # Arithmetic: 12.000 V at 0 A, 11.994 V at 2 A: 6 mV and 3.00 milliohm.
    found = load_effect_findings.findings(data("load-effect", _pairs(12.000, 11.994, 2.0)), PROFILE)
    assert _one(found, "load effect").value == pytest.approx(6e-3, rel=1e-9)
    assert _one(found, "output resistance").value == pytest.approx(3.00e-3, rel=1e-9)


def test_a_limit_of_the_form_percent_plus_fixed() -> None:
    # A laboratory supply's data sheet form: 0.01 % + 3 mV at 12 V is 4.20 mV.
    assert parse_limit("0.01 % + 3 mV", "V").at(12.0) == pytest.approx(4.20e-3)


def test_a_steady_drift_leaves_the_paired_difference() -> None:
    # Paired differences cancel a linear drift exactly (arithmetic).
    steady = load_effect_findings.findings(data("load-effect", _pairs(12.0, 11.994, 2.0)), PROFILE)
    drifting = load_effect_findings.findings(
        data("load-effect", _pairs(12.0, 11.994, 2.0, drift_v=2e-3)), PROFILE
    )
    a, b = _one(steady, "load effect"), _one(drifting, "load effect")
    assert a.value == pytest.approx(b.value, abs=1e-9)


def test_a_load_below_the_rated_current_is_no_plain_pass() -> None:
    found = load_effect_findings.findings(data("load-effect", _pairs(12.0, 11.999, 2.0)), PROFILE)
    finding = _one(found, "load effect")
    assert finding.decision is Decision.CONDITIONAL_PASS
    assert "rated current is 3 A" in finding.reason


def test_one_pair_is_not_enough_and_the_reason_is_told() -> None:
    readings = [
        volts(12.0, set_v=12.0, pair=1, load="none"),
        volts(None, "overload", set_v=12.0, pair=1, load="full"),
    ]
    finding = _one(load_effect_findings.findings(data("load-effect", readings), PROFILE), "load e")
    assert finding.decision is Decision.NOT_MEASURED
    assert "overload" in finding.reason


def test_a_knee_bends_the_load_line() -> None:
    # Practice: a straight line is a resistance, a knee is dropout or limit.
    line = {0.0: 20.0, 0.25: 19.998, 0.5: 19.996, 0.75: 19.6, 1.0: 17.4}
    readings = [volts(v, set_v=20.0, share=s) for s, v in line.items() for _ in range(3)]
    found = load_effect_findings.findings(data("load-effect", readings), PROFILE)
    assert _one(found, "bend of the load line").decision is Decision.FAIL


# ---- setting -------------------------------------------------------------------------------


def _settings(gain: float, offset_v: float) -> list[Reading]:
    points = [2.4 * i for i in range(11)]
    both = [("rising", v) for v in points] + [("falling", v) for v in reversed(points)]
    return [
        volts(v * (1 + gain) + offset_v, set_v=v, direction=d) for d, v in both for _ in range(3)
    ]


def test_gain_and_offset_are_told_apart() -> None:
    # A straight line through exact points: gain and offset as put in (arithmetic).
    found = setting_findings.findings(data("setting", _settings(-0.12, 0.004)), PROFILE)
    gain, offset = _one(found, "gain error"), _one(found, "offset")
    assert gain.value == pytest.approx(-12.0, abs=1e-6)
    assert offset.value == pytest.approx(0.004, abs=1e-6)
    assert gain.decision is Decision.FAIL
    assert offset.decision is Decision.PASS
    assert _one(found, "bend").decision is Decision.PASS


def test_a_supply_inside_its_limits_passes_every_point() -> None:
    found = setting_findings.findings(data("setting", _settings(1e-4, 1e-3)), PROFILE)
    assert {f.decision for f in found} == {Decision.PASS}
    assert len([f for f in found if f.what == "error of the output voltage"]) == 22


def test_an_unknown_accuracy_is_at_best_conditional() -> None:
    # Rule 4 of the project's design: nothing is decided without an uncertainty.
    found = setting_findings.findings(data("setting", _settings(0.0, 0.0), instruments={}), PROFILE)
    assert Decision.PASS not in {f.decision for f in found}
    assert all("accuracy is not known" in f.reason for f in found)


def test_an_invalid_point_is_not_measured_and_not_dropped() -> None:
    readings = [*_settings(0.0, 0.0), volts(None, "overload", set_v=25.0, direction="rising")]
    found = setting_findings.findings(data("setting", readings), PROFILE)
    finding = _one(found, "error of the output voltage", "25 V, rising")
    assert finding.decision is Decision.NOT_MEASURED and finding.reason == "overload"


# ---- ripple --------------------------------------------------------------------------------


def _ripple(
    rms_v: float | None, pp_v: float | None, floor_v: float = 20e-6, **amplitudes: float
) -> list[Reading]:
    readings = []
    for share, load_a in ((0.1, 0.3), (1.0, 3.0)):
        at = {"point": "maximum", "set_v": 24.0, "share": share, "load_a": load_a}
        small = 0.1 if share < 1 else 1.0
        for _ in range(10):
            readings.append(trace("ripple-rms", None if rms_v is None else rms_v * small, **at))
            readings.append(trace("ripple-pp", None if pp_v is None else pp_v * small, **at))
        for name in ("f", "2f"):
            readings.append(trace(f"ripple-{name}", small * amplitudes.get(f"a_{name}", 0.0), **at))
    for _ in range(10):
        readings.append(trace("floor-rms", floor_v))
        readings.append(trace("floor-pp", 7 * floor_v))
    return readings


def test_sawtooth_ripple_has_the_handbook_ratio() -> None:
    # DC Power Supply Handbook AN 90B p. 107: rms of a sawtooth is p-p/3.464.
    rms_v = 1e-3 / math.sqrt(12)
    found = ripple_findings.findings(data("ripple", _ripple(rms_v, 1e-3, 1e-9)), PROFILE)
    rms = _one(found, "ripple and noise, rms", ", 3 A")
    assert rms.value == pytest.approx(0.288675e-3, rel=1e-4)
    assert rms.decision is Decision.PASS


def test_the_floor_is_taken_off_the_rms_only() -> None:
    # V = sqrt(Vm^2 - Vn^2) for rms, an upper bound for p-p (older maker's manual).
    found = ripple_findings.findings(data("ripple", _ripple(500e-6, 2e-3, 300e-6)), PROFILE)
    assert _one(found, "ripple and noise, rms", ", 3 A").value == pytest.approx(400e-6, rel=1e-6)
    assert _one(found, "ripple and noise, peak", ", 3 A").value == pytest.approx(2e-3)


def test_a_floor_above_a_third_of_the_limit_decides_nothing() -> None:
    # Common practice: reject when the floor is above a third of the limit.
    found = ripple_findings.findings(data("ripple", _ripple(900e-6, 3e-3, 800e-6)), PROFILE)
    finding = _one(found, "ripple and noise, rms", ", 3 A")
    assert finding.decision is Decision.NOT_MEASURED
    assert "floor" in finding.reason


def test_too_few_good_records_decide_nothing() -> None:
    found = ripple_findings.findings(data("ripple", _ripple(None, None)), PROFILE)
    assert Decision.PASS not in {f.decision for f in found if "ripple and noise" in f.what}


def _bench_own(shorted_v: float, **strapped_v: float) -> list[Reading]:
    """Ripple of 0.3 mV rms, shorted leads, and straps: rms, at 50 Hz (peak), above 10 kHz."""
    readings = _ripple(300e-6, 2e-3)
    at = {"set_v": 24.0, "load_a": 3.0}
    readings += [trace("shorted-rms", shorted_v, **at) for _ in range(5)]
    for strap in ("none", "minus", "plus"):
        low_v, high_v = strapped_v.get(f"{strap}_f", 0.0), strapped_v.get(f"{strap}_high", 0.0)
        rms_v = math.hypot(300e-6, low_v / math.sqrt(2), high_v)
        readings += [trace("strapped-rms", rms_v, strap=strap, **at) for _ in range(5)]
        readings.append(trace("strapped-f", low_v, strap=strap, **at))
        readings.append(trace("strapped-high", high_v, strap=strap, **at))
    return readings


def test_leads_that_pick_up_more_than_a_third_of_the_limit_prove_nothing() -> None:
    # Practice: with both leads shorted on one terminal the trace must be flat; reject the
    # measurement above a third of the limit. The unit never fails for it.
    flat = ripple_findings.findings(data("ripple", _bench_own(60e-6)), PROFILE)
    assert _one(flat, "pick-up of the leads, rms").decision is Decision.PASS
    assert _one(flat, "ripple and noise, rms", ", 3 A").decision is Decision.PASS
    loop = ripple_findings.findings(data("ripple", _bench_own(900e-6)), PROFILE)
    found = _one(loop, "pick-up of the leads, rms")
    assert found.decision is Decision.NOT_MEASURED and "coax" in found.reason
    assert _one(loop, "ripple and noise, rms", ", 3 A").decision is Decision.NOT_MEASURED


@pytest.mark.parametrize(
    ("part", "meaning"), [("minus_f", "between the windings"), ("minus_high", "switching stage")]
)
def test_what_earthing_adds_says_where_it_comes_from(part: str, meaning: str) -> None:
    # Practice: line frequency is inter-winding capacitance, above 10 kHz a switcher or its
    # filter capacitors. One laboratory unit's ripple limit holds floating and earthed.
    found = ripple_findings.findings(data("ripple", _bench_own(60e-6, **{part: 6e-3})), PROFILE)
    minus = _one(found, "ripple and noise with minus earthed, rms")
    assert minus.decision is Decision.FAIL and "mV more" in minus.reason
    assert meaning in minus.reason
    assert _one(found, "ripple and noise with plus earthed, rms").decision is Decision.PASS


def test_a_strap_or_lead_that_was_not_moved_is_not_measured() -> None:
    events = [{"what": "not-done", "step": step} for step in ("strap minus", "leads shorted")]
    found = ripple_findings.findings(data("ripple", _ripple(3e-4, 2e-3), events), PROFILE)
    left = {f.what for f in found if f.decision is Decision.NOT_MEASURED}
    assert "pick-up of the leads, rms" in left
    assert {f"ripple and noise with {p} earthed, rms" for p in ("minus", "plus")} <= left


def test_one_open_diode_shows_as_ripple_at_the_mains_frequency() -> None:
    # Practice: f on the output that scales with load is an open rectifier path.
    healthy = data("ripple", _ripple(0.7e-3, 2.1e-3, a_f=5e-6, a_2f=1e-3))
    open_diode = data("ripple", _ripple(1.7e-3, 4.8e-3, a_f=2.2e-3, a_2f=0.9e-3))
    what = "component at 50 Hz"
    assert _one(ripple_findings.findings(healthy, PROFILE), what).decision is Decision.PASS
    assert _one(ripple_findings.findings(open_diode, PROFILE), what).decision is Decision.FAIL


# ---- current limit, headroom, switching, transient, impedance --------------------------------


def test_a_sharp_knee_at_the_critical_resistance() -> None:
    # PSU manuals: 12 V and 2 A cross over at 6.000 ohm; 10 ohm is CV 1.2 A, 3 ohm CC 6 V.
    points = [(12.0, 12.0 / r) if r >= 6 else (2.0 * r, 2.0) for r in (10, 8, 7, 6, 5, 4, 3)]
    assert points[0] == pytest.approx((12.0, 1.2)) and points[-1] == pytest.approx((6.0, 2.0))
    assert knee_width_a(12.0, points) == pytest.approx(0.0, abs=1e-12)
    assert isinstance(knee_width_a(12.0, points[:3]), str)


def test_current_limit_and_its_load_effect() -> None:
    readings = [amps(2.99, set_a=3.0, into="half voltage") for _ in range(3)]
    readings += [amps(2.993, set_a=3.0, into="short") for _ in range(3)]
    found = current_limit_findings.findings(data("current-limit", readings), PROFILE)
    assert _one(found, "error of the limited current").value == pytest.approx(-0.01)
    assert _one(found, "change of limited current").value == pytest.approx(0.003)
    assert {f.decision for f in found} == {Decision.PASS}


def test_a_limit_that_does_not_act_fails() -> None:
    readings = [amps(3.4, set_a=3.0, into="half voltage")]
    events = [{"what": "mode", "mode": "cv", "set_a": 3.0, "into": "half voltage"}]
    found = current_limit_findings.findings(data("current-limit", readings, events), PROFILE)
    assert _one(found, "error of the limited current").decision is Decision.FAIL


def test_headroom_lost_above_ninety_percent_line_fails() -> None:
    # Practice: regulation must hold at 10 % low line.
    readings = []
    for share, out_v, pp_v in ((1.0, 12.4, 2e-3), (0.9, 12.1, 2.7)):
        at = {"point": "below tap point 1", "set_v": 12.4, "load_a": 3.0, "line_share": share}
        readings += [volts(out_v, **at) for _ in range(3)]
        readings += [trace("ripple-pp", pp_v, span_v=4.0, **at) for _ in range(3)]
    found = headroom_findings.findings(data("headroom", readings), PROFILE)
    assert _one(found, "ripple at low line").decision is Decision.FAIL
    assert _one(found, "change of output").decision is Decision.FAIL
    assert _one(found, "line voltage margin").value == pytest.approx(5.0)
    assert _one(found, "line voltage margin").decision is not Decision.PASS


def test_a_line_at_which_nothing_was_read_is_no_lost_regulation() -> None:
    readings = []
    for share, out_v in ((1.0, 12.4), (0.9, 12.4), (0.85, None)):
        at = {"point": "below tap point 1", "set_v": 12.4, "load_a": 3.0, "line_share": share}
        readings += [volts(out_v, None if out_v else "no value (9.91E37)", **at)]
        readings += [trace("ripple-pp", 2e-3, span_v=4.0, **at)]
    found = headroom_findings.findings(data("headroom", readings), PROFILE)
    margin = _one(found, "line voltage margin")
    assert margin.value is None and "85 %" in margin.reason


def test_ripple_that_doubles_within_the_scopes_own_error_is_no_lost_regulation() -> None:
    # A trace that reads 1 mV low at nominal line once "doubled" at the first step of the line.
    readings = []
    for share, pp_v in ((1.0, 1e-3), (0.9, 3e-3), (0.85, 3e-3), (0.84, 0.2)):
        at = {"point": "below tap point 1", "set_v": 12.4, "load_a": 3.0, "line_share": share}
        readings += [volts(12.4, **at), trace("ripple-pp", pp_v, span_v=4.0, **at)]
    found = headroom_findings.findings(data("headroom", readings), PROFILE)
    assert _one(found, "line voltage margin").value == pytest.approx(15.5)


def test_switch_on_overshoot_is_measured_from_where_the_output_rests() -> None:
    t = np.arange(20_000) * 25e-6
    samples = np.where(t < 0.1, 23.0, 24.0 + 0.9 * np.exp(-np.maximum(t - 0.1, 0) / 5e-3))
    wave = Wave("on", samples, 25e-6, -0.1, event="output on", view="top", set_v=24.0,
                load_a=0.0, run=1, span_v=4.6)  # fmt: skip
    found = switching_findings.findings(data("switching", waveforms=[wave]), PROFILE)
    finding = _one(found, "overshoot, output on")
    assert finding.value == pytest.approx(0.9, abs=0.01)
    assert finding.decision is Decision.FAIL


def test_a_switching_record_that_is_no_good_is_said_to_be_missing_with_its_reason() -> None:
    at = {"event": "mains off", "view": "bottom", "set_v": 24.0, "load_a": 0.0, "run": 1}
    lost = {"what": "waveform-invalid", "reason": "short reply", "at": at}
    top, bottom = switching_findings.findings(data("switching", events=[lost]), PROFILE)
    assert {top.decision, bottom.decision} == {Decision.NOT_MEASURED}
    assert "was not seen" in top.reason and bottom.reason == "short reply"


def _step(dip_v: float, tau_s: float, ring_hz: float = 0.0) -> Wave:
    t = -0.4e-3 + np.arange(20_000) * 0.2e-6
    after = np.maximum(t, 0.0)
    swing = np.cos(2 * np.pi * ring_hz * after) if ring_hz else 1.0
    rng = np.random.default_rng(5)
    samples = np.where(t < 0, 0.0, -dip_v * np.exp(-after / tau_s) * swing)
    samples = samples + rng.normal(0, 50e-6, t.size)
    return Wave("load-on-0", samples, 0.2e-6, -0.4e-3, edge="load on", set_v=12.0, band_v=15e-3,
                span_v=0.4)  # fmt: skip


def test_first_order_recovery_of_the_worked_example() -> None:
    # Arithmetic: 200 mV dip, band 15 mV, tau 10 us: tau ln(A/b) = 25.903 us.
    found = transient_findings.findings(data("transient", waveforms=[_step(0.2, 10e-6)]), PROFILE)
    finding = _one(found, "recovery time", "load on")
    assert finding.value == pytest.approx(25.903e-6, abs=0.6e-6)
    assert finding.u_expanded is not None and finding.u_expanded < 10e-6


def test_ringing_is_counted() -> None:
    # Common practice: more than three visible cycles are poor damping.
    found = transient_findings.findings(
        data("transient", waveforms=[_step(0.2, 400e-6, ring_hz=20e3)]), PROFILE
    )
    assert _one(found, "ring cycles").decision is Decision.FAIL


def test_an_output_that_does_not_come_back_fails() -> None:
    wave = _step(0.2, 10e-6)
    samples = np.array(wave.volts())
    samples[-300:] += 0.1
    lost = Wave("lost", samples, 0.2e-6, -0.4e-3, **wave.at, span_v=0.4)
    found = transient_findings.findings(data("transient", waveforms=[lost]), PROFILE)
    assert _one(found, "recovery time", "load on").decision is Decision.FAIL


def test_fundamental_of_square_pulses() -> None:
    # Fourier series of the square wave: 4/pi times half the step; edges take their sinc.
    assert square_fundamental_a(1.0, 3.0, 100.0, 1e9) == pytest.approx(4 / math.pi, rel=1e-6)
    t = np.arange(200_000) / 200_000
    wave = np.clip(np.sin(2 * np.pi * t) * 1e9, -1, 1)
    numeric = 2 * np.mean(wave * np.sin(2 * np.pi * t))
    assert square_fundamental_a(1.0, 3.0, 1.0, 1e12) == pytest.approx(numeric, rel=1e-4)


# ---- whatever comes --------------------------------------------------------------------------

NUMBERS = st.one_of(st.none(), st.floats(-50, 50))


@given(st.lists(st.tuples(NUMBERS, NUMBERS), min_size=1, max_size=12))
@settings(max_examples=40, deadline=None)
def test_any_readings_give_findings_that_hang_together(values: list[tuple]) -> None:
    readings = []
    for number, (v, i) in enumerate(values):
        place = {"set_v": 12.0, "pair": 1 + number // 2, "load": ("none", "full")[number % 2]}
        readings.append(volts(v, None if v is not None else "no answer", **place))
        readings.append(amps(i, None if i is not None else "no answer", **place))
    for finding in load_effect_findings.findings(data("load-effect", readings), PROFILE):
        if finding.decision is Decision.NOT_MEASURED:
            assert finding.value is None and finding.reason
        else:
            assert finding.value is not None and math.isfinite(finding.value)
            assert finding.u_expanded is not None and finding.u_expanded >= 0
