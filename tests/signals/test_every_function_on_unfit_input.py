"""Whatever is fed in: a finite result or a reason, never NaN, never an exception or warning."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from enum import Enum

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray

from runner.signals import (
    analysis,
    drift,
    loadline,
    mains,
    ripple,
    samples,
    settling,
    sinefit,
    spectrum,
    statistics,
    steps,
    transitions,
)
from runner.signals.samples import Invalid

Record = NDArray[np.float64]


def axis(v: Record) -> NDArray[np.float64]:
    return np.arange(v.size) * 1e-3


def holding(v: Record) -> object:
    hold, last = settling.StableHold(), object()
    for k, value in enumerate(v):
        last = hold.add(0.5 * k, float(value))
    return last if v.size else Invalid("empty")


ON_RECORD: dict[str, Callable[[Record], object]] = {
    "checked_record": samples.checked_record,
    "checked_pair": lambda v: samples.checked_pair(axis(v), v),
    "uniform_step": samples.uniform_step,
    "describe": statistics.describe,
    "amplitude_spectrum": lambda v: spectrum.amplitude_spectrum(v, 1e-3),
    "fit_sine3": lambda v: sinefit.fit_sine3(axis(v), v, 50.0),
    "fit_sine4": lambda v: sinefit.fit_sine4(axis(v), v, 50.0),
    "fit_tones": lambda v: sinefit.fit_tones(axis(v), v, [sinefit.Tone(50, (1, 2))], trend=True),
    "fit_mains": lambda v: mains.fit_mains(v, 1e-3, 50),
    "ripple.measure": ripple.measure,
    "ripple.measure in a range": lambda v: ripple.measure(v, range_v=(-5, 5)),
    "line_slope": lambda v: ripple.line_slope(v, 1e-3),
    "repeated_block": lambda v: ripple.repeated_block(v, 16),
    "pool": lambda v: ripple.pool([ripple.measure(v), ripple.measure(v[::-1])]),
    "analyse": lambda v: analysis.analyse(v, 1e-3),
    "judge": lambda v: settling.judge(axis(v), v, settling.SettleRule(1.0, window_s=0.01)),
    "settled_at": lambda v: settling.settled_at(
        axis(v), v, settling.SettleRule(1.0, window_s=0.01)
    ),
    "StableHold": holding,
    "state_levels": steps.state_levels,
    "transition": lambda v: steps.transition(axis(v), v),
    "recovery": lambda v: steps.recovery(axis(v), v, step_s=2e-3, band_v=0.1, reference_v=0),
    "excursion": lambda v: steps.excursion(axis(v), v, reference_v=0, bands_v=(0.01, 1)),
    "ring_cycles": lambda v: steps.ring_cycles(v, reference_v=0, visible_v=0.1),
    "find_transitions": lambda v: transitions.find_transitions(axis(v), v, amplitude_min_v=0.1),
    "glitch": lambda v: transitions.glitch(axis(v), v, event_s=0.02),
    "robust_slope": lambda v: drift.robust_slope(axis(v), v),
    "allan_deviation": lambda v: drift.allan_deviation(axis(v), v),
    "fit_warm_up": lambda v: drift.fit_warm_up(axis(v), v),
    "level_shift": drift.level_shift,
    "fit_line": lambda v: loadline.fit_line(axis(v), v),
    "fit_load_line": lambda v: loadline.fit_load_line(axis(v), v),
}


def assert_finite(result: object) -> None:
    """Every number anywhere in a result is finite."""
    if result is None or isinstance(result, (Invalid, str, bool, Enum)):
        return
    if isinstance(result, (int, float)):
        assert math.isfinite(result)
    elif isinstance(result, np.ndarray):
        assert np.all(np.isfinite(result))
    elif isinstance(result, tuple):
        for part in result:
            assert_finite(part)
    else:
        assert dataclasses.is_dataclass(result)
        for field in dataclasses.fields(result):
            assert_finite(getattr(result, field.name))


volts = st.floats(-1e3, 1e3, allow_nan=False, width=64)
any_float = st.floats(allow_nan=True, allow_infinity=True)
records = st.one_of(
    arrays.arrays(np.float64, st.integers(0, 120), elements=volts),
    arrays.arrays(np.float64, st.integers(0, 60), elements=any_float),
    arrays.arrays(np.float64, st.integers(16, 120), elements=st.sampled_from([0, 1, 1 + 1e-15])),
    st.builds(np.full, st.integers(0, 100), any_float),
    st.builds(
        lambda n, f, cut, seed: np.clip(
            np.sin(np.arange(n) * f) + np.random.default_rng(seed).normal(0, 0.01, n), -cut, cut
        ),
        st.integers(16, 400), st.floats(0.01, 3), st.floats(0.01, 2), st.integers(0, 100),
    ),
)  # fmt: skip


@pytest.mark.parametrize("name", ON_RECORD)
@settings(max_examples=40, deadline=None)
@given(record=records)
def test_finite_or_a_reason(name: str, record: Record) -> None:
    assert_finite(ON_RECORD[name](record))


NEEDS_A_RECORD = sorted(set(ON_RECORD) - {"uniform_step"})


@pytest.mark.parametrize("name", NEEDS_A_RECORD)
@pytest.mark.parametrize(
    "record",
    [
        np.array([]),
        np.array([1.0]),
        np.array([*np.sin(np.arange(50.0)), np.nan]),
        np.array([np.inf, *np.sin(np.arange(50.0))]),
        np.array([*np.sin(np.arange(50.0)), 9.91e37]),
    ],
    ids=["empty", "one sample", "NaN", "infinity", "overload word"],
)
def test_unfit_records_give_a_reason(name: str, record: Record) -> None:
    result = ON_RECORD[name](record)
    if name == "StableHold" and record.size and math.isfinite(record[-1]) and record[-1] < 1e30:
        return  # a streaming judge starts afresh after a bad reading
    assert isinstance(result, Invalid), result
    assert result.reason


@pytest.mark.parametrize("times", [[0.0, 1.0, 1.0, 2.0], [0.0, 2.0, 1.0, 3.0], [0.0, np.nan, 2, 3]])
def test_time_must_increase(times: list[float]) -> None:
    t_s = np.concatenate([times, 4.0 + np.arange(40)])
    v = np.sin(t_s)
    calls = (
        lambda: samples.checked_pair(t_s, v),
        lambda: sinefit.fit_sine3(t_s, v, 0.1),
        lambda: steps.transition(t_s, v),
        lambda: steps.recovery(t_s, v, step_s=1.0, band_v=0.1, reference_v=0),
        lambda: steps.excursion(t_s, v, reference_v=0, bands_v=(0.1,)),
        lambda: transitions.find_transitions(t_s, v, amplitude_min_v=0.1),
        lambda: transitions.glitch(t_s, v, event_s=20),
        lambda: drift.robust_slope(t_s, v),
        lambda: drift.allan_deviation(t_s, v),
        lambda: drift.fit_warm_up(t_s, v),
        lambda: settling.judge(t_s, v, settling.SettleRule(1.0)),
    )
    for call in calls:
        assert isinstance(call(), Invalid)


@given(
    steps_s=arrays.arrays(np.float64, st.integers(15, 60), elements=st.floats(1e-4, 1e-2)),
    seed=st.integers(0, 1000),
)
@settings(max_examples=40, deadline=None)
def test_uneven_time_is_used_as_it_is_or_refused(steps_s: Record, seed: int) -> None:
    t_s = np.cumsum(steps_s)
    v = np.random.default_rng(seed).normal(size=t_s.size)
    for result in (
        sinefit.fit_sine3(t_s, v, 50),
        steps.transition(t_s, v),
        steps.excursion(t_s, v, reference_v=0, bands_v=(0.1,)),
        drift.robust_slope(t_s, v),
        drift.allan_deviation(t_s, v),
        drift.fit_warm_up(t_s, v),
        loadline.fit_line(t_s, v),
    ):
        assert_finite(result)


def test_uneven_sampling_is_noticed() -> None:
    t_s = np.arange(1000) * 1e-6
    assert samples.uniform_step(t_s) == pytest.approx(1e-6)
    assert samples.uniform_step(np.round(t_s, 7)) == pytest.approx(1e-6)
    t_s[500:] += 1e-6
    gap = samples.uniform_step(t_s)
    assert isinstance(gap, Invalid)
    assert "unevenly" in gap.reason
