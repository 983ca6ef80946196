"""The same ripple comes out of every layout; what cannot be measured carries its reason."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.captures.capture import Capture, Channel
from runner.captures.findings import findings_of_ripple
from runner.captures.plain import plain_ripple, sentences
from runner.captures.reader import read_capture
from runner.captures.ripple import CaptureRipple, ripple_of_capture
from runner.errors import InputError
from runner.finding import Decision
from runner.signals.analysis import RippleAnalysis
from runner.signals.mains import MainsFit
from tests.captures.made_files import DT_S, ENVELOPES, PP_V, RMS_V, SAMPLED, V, write


def of(samples: list[float] | np.ndarray, **more: object) -> Capture:
    """A capture of one channel, made without a file."""
    v = np.asarray(samples, dtype=np.float64)
    fields = {
        "path": Path("made.csv"), "t_s": np.arange(v.size) * DT_S, "dt_s": DT_S,
        "pieces": ((0, v.size),), "channels": (Channel("CH1", "V", v),), "notes": (), **more,
    }  # fmt: skip
    return Capture(**fields)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", SAMPLED)
def test_every_layout_gives_the_same_ripple(name: str, tmp_path: Path) -> None:
    # Source: the sawtooth put in: p-p, p-p/√12, p-p/(πn) (handbook), and the noise's own.
    found = ripple_of_capture(read_capture(write(tmp_path, SAMPLED[name]())))
    assert found.pp_v == pytest.approx(PP_V, rel=0.05)  # noise of 20 µV on both ends
    assert found.rms_v == pytest.approx(math.hypot(RMS_V, 2e-5), rel=5e-3)
    assert isinstance(found.analysis, RippleAnalysis)
    mains = found.analysis.mains
    if name == "segments_that_start_again":  # 2.5 mains periods in a stretch
        assert mains.amplitude_v(2) == pytest.approx(PP_V / math.pi, rel=0.02)
        return
    assert isinstance(mains, MainsFit)
    assert mains.amplitude_v(2) == pytest.approx(PP_V / math.pi, rel=5e-3)
    assert mains.amplitude_v(4) == pytest.approx(PP_V / (2 * math.pi), rel=1e-2)
    assert mains.f_hz == pytest.approx(50, rel=1e-3)
    assert found.step_v == pytest.approx(1e-6, rel=1e-3)


@pytest.mark.parametrize("name", ENVELOPES)
def test_an_envelope_has_a_pp_but_no_rms(name: str, tmp_path: Path) -> None:
    found = ripple_of_capture(read_capture(write(tmp_path, ENVELOPES[name]())))
    assert found.pp_v == pytest.approx(np.ptp(V))
    assert found.rms_v is None
    assert "pairs of minimum and maximum" in found.rms_reason


def test_probe_and_channel(tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, SAMPLED["tab_units_in_names"]()))
    assert ripple_of_capture(capture, probe=10).pp_v == pytest.approx(10 * np.ptp(V), rel=1e-4)
    half = ripple_of_capture(capture, channel="b")
    assert half.channel == "B"
    assert half.pp_v == pytest.approx(np.ptp(V) / 2, rel=1e-3)
    assert ripple_of_capture(capture, channel="2").channel == "B"
    assert any("2 channels in V" in note for note in ripple_of_capture(capture).notes)
    with pytest.raises(InputError, match="expected 'A', 'B', found C"):
        ripple_of_capture(capture, channel="C")
    current = of([0.0] * 20, channels=(Channel("I", "A", np.zeros(20)),))
    with pytest.raises(InputError, match="no channel in volts"):
        ripple_of_capture(current)
    with pytest.raises(InputError, match="ripple needs volts"):
        ripple_of_capture(current, channel="I")


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        ([1.0] * 100, "flat"),
        ([float("nan")] * 100, "no stretch"),
        ([1.0, 2.0] * 5, "no stretch"),
        ([*np.sin(np.arange(100.0)), float("inf")], "infinity"),
        ([*np.sin(np.arange(100.0)), 9.91e37], "overload"),
    ],
)
def test_unfit_samples_give_a_reason(samples: list[float], reason: str) -> None:
    found = ripple_of_capture(of(samples))
    assert found.pp_v is None
    assert found.rms_v is None
    assert reason in found.pp_reason
    (finding,) = findings_of_ripple(found, limit_pp_v=1.0)
    assert finding.decision is Decision.NOT_MEASURED
    assert finding.value is None
    assert reason in finding.reason


def sine(amplitude_v: float, *, cut_v: float = math.inf) -> CaptureRipple:
    v = amplitude_v * np.sin(2 * np.pi * 100 * np.arange(20_000) * DT_S)
    noise = np.random.default_rng(3).normal(0, 1e-6, v.size)
    return ripple_of_capture(of(np.clip(np.round(v + noise, 6), -cut_v, cut_v)))


@pytest.mark.parametrize(
    ("limit_v", "accuracy", "decision"),
    [
        (0.030, (0.03, 0.001), Decision.PASS),
        (0.021, (0.03, 0.001), Decision.CONDITIONAL_PASS),
        (0.0195, (0.03, 0.001), Decision.CONDITIONAL_FAIL),
        (0.010, (0.03, 0.001), Decision.FAIL),
        (0.030, None, Decision.CONDITIONAL_PASS),
        (0.010, None, Decision.FAIL),
    ],
)
def test_decisions_with_guard_band(
    limit_v: float, accuracy: tuple[float, float] | None, decision: Decision
) -> None:
    # Source: ILAC-G8:09/2019 4.2, w = U; p-p 20 mV, accuracy half-width 1.6 mV, U 1.52 mV.
    (finding,) = findings_of_ripple(sine(0.010), limit_pp_v=limit_v, accuracy=accuracy)
    assert finding.decision is decision
    if accuracy is not None:
        assert finding.u_expanded == pytest.approx(0.95 * 0.0016, rel=0.01)
    if decision in (Decision.FAIL, Decision.CONDITIONAL_FAIL):
        assert "own noise" in finding.reason


def test_a_clipped_trace_may_fail_but_not_pass() -> None:
    clipped = sine(0.010, cut_v=0.008)
    assert clipped.clipping_suspected
    (passing,) = findings_of_ripple(clipped, limit_pp_v=0.050, accuracy=(0.03, 0))
    (failing,) = findings_of_ripple(clipped, limit_pp_v=0.005, accuracy=(0.03, 0))
    assert passing.decision is Decision.NOT_MEASURED
    assert "clipped" in passing.reason
    assert failing.decision is Decision.FAIL


def test_what_the_capture_cannot_show_is_said(tmp_path: Path) -> None:
    notes = "\n".join(ripple_of_capture(of(V[:2000])).notes)
    assert "nothing above 50 kHz" in notes
    assert "less than one period of 20 Hz" in notes


def test_drift_is_taken_out_and_said() -> None:
    found = ripple_of_capture(of(V + np.arange(V.size) * DT_S * 0.1))
    assert found.pp_v == pytest.approx(PP_V, rel=0.05)
    assert any("drift of 0.1 V/s" in note for note in found.notes)


def assert_honest(found: CaptureRipple) -> None:
    for value, reason in ((found.pp_v, found.pp_reason), (found.rms_v, found.rms_reason)):
        if value is None:
            assert reason
        else:
            assert math.isfinite(value)
            assert value > 0
    json.dumps(plain_ripple(found), allow_nan=False)
    assert all(isinstance(line, str) for line in sentences(found))
    for finding in findings_of_ripple(found, limit_pp_v=0.02, limit_rms_v=0.001):
        json.dumps(finding.to_dict(), allow_nan=False)


cells = st.one_of(
    st.floats(-1, 1).map(lambda x: f"{x:.3f}"), st.sampled_from(["", "1e999", "9.91e37", "nan"])
)


@settings(max_examples=100, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    values=st.lists(cells, min_size=2, max_size=120),
    steps=st.sampled_from(["even", "uneven", "rounded", "twice"]),
    seed=st.integers(0, 99),
)
def test_any_table_gives_finite_figures_or_a_reason(
    values: list[str], steps: str, seed: int, tmp_path: Path
) -> None:
    n = len(values)
    t = np.arange(n) * 1e-3
    if steps == "uneven":
        t = np.cumsum(np.random.default_rng(seed).uniform(1e-6, 1e-2, n))
    elif steps == "rounded":
        t = np.round(t, 2)
    elif steps == "twice":
        t = np.repeat(np.arange((n + 1) // 2), 2)[:n] * 1e-3
    text = "time,CH1\n" + "\n".join(f"{a:.7f},{v}" for a, v in zip(t, values, strict=True))
    try:
        capture = read_capture(write(tmp_path, text))
    except InputError:
        return
    assert_honest(ripple_of_capture(capture))


def test_results_are_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        sine(0.01).pp_v = 0.0  # type: ignore[misc]
