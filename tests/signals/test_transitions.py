"""Tap transitions, chatter and glitches on made traces with known answers."""

from __future__ import annotations

import numpy as np
import pytest

from runner.signals.samples import Invalid
from runner.signals.steps import Excursion
from runner.signals.transitions import (
    Chatter,
    TapTransition,
    count_chatter,
    find_transitions,
    glitch,
)


def test_raw_rail_with_ripple_gives_one_event_each_way() -> None:
    # A raw rail of 20 V and 40 V with 2.1 V p-p at 100 Hz on it, the tap falling and rising.
    rng = np.random.default_rng(1)
    t_s = np.arange(50_000) * 1e-4
    high = (t_s > 1.2345) & (t_s < 3.5)
    v = np.where(high, 40.0, 20.0) + 1.05 * np.sin(200 * np.pi * t_s) + rng.normal(0, 0.1, t_s.size)
    events = find_transitions(t_s, v, amplitude_min_v=5)
    assert isinstance(events, tuple)
    assert [event.up for event in events] == [True, False]
    assert [event.t_s for event in events] == pytest.approx([1.2345, 3.5], abs=1e-4)


def test_coil_voltage_that_falls_when_the_tap_rises() -> None:
    t_s = np.arange(1000) * 1e-3
    coil = np.where(t_s < 0.5, 12.0, 0.1) + np.random.default_rng(2).normal(0, 0.01, 1000)
    events = find_transitions(t_s, coil, amplitude_min_v=1, thresholds_v=(3, 8), rising_is_up=False)
    assert isinstance(events, tuple)
    assert [event.up for event in events] == [True]


def test_noise_inside_the_thresholds_does_not_count() -> None:
    t_s = np.arange(2000) * 1e-3
    edge = np.clip((t_s - 0.9) / 0.2, 0, 1) * 10  # slow edge with noise riding on it
    v = edge + np.random.default_rng(3).normal(0, 0.5, t_s.size)
    events = find_transitions(t_s, v, amplitude_min_v=2)
    assert isinstance(events, tuple)
    assert len(events) == 1
    assert events[0].t_s == pytest.approx(1.0, abs=0.03)


def test_a_trace_without_a_tap_has_no_transitions() -> None:
    t_s = np.arange(1000) * 1e-3
    noise = 20 + np.random.default_rng(4).normal(0, 0.5, 1000)
    assert find_transitions(t_s, noise, amplitude_min_v=5) == ()
    assert isinstance(find_transitions(t_s, np.full(1000, 20.0), amplitude_min_v=5), Invalid)
    crossed = find_transitions(t_s, noise, amplitude_min_v=0, thresholds_v=(3, 2))
    assert isinstance(crossed, Invalid)


def events_at(*times: float) -> list[TapTransition]:
    return [TapTransition(t, k % 2 == 0) for k, t in enumerate(times)]


@pytest.mark.parametrize(
    ("times", "reversals", "chattering"),
    [
        ((), 0, False),
        ((1.0,), 0, False),
        ((1.0, 2.9), 1, True),
        ((1.0, 3.1), 0, False),
        ((1.0, 1.1, 1.2, 1.3, 9.0), 3, True),
    ],
)
def test_chatter_rule_of_practice(
    times: tuple[float, ...], reversals: int, chattering: bool
) -> None:
    # Source: common practice: two or more in opposite directions within 2 s, knob still.
    found = count_chatter(events_at(*times))
    assert isinstance(found, Chatter)
    assert (found.transitions, found.reversals) == (len(times), reversals)
    assert found.chattering is chattering


def test_two_steps_the_same_way_are_no_chatter() -> None:
    found = count_chatter([TapTransition(1.0, True), TapTransition(1.2, True)])
    assert isinstance(found, Chatter)
    assert not found.chattering
    assert found.rate_hz == pytest.approx(1.0)
    assert isinstance(count_chatter([TapTransition(2.0, True), TapTransition(1.0, False)]), Invalid)
    assert isinstance(count_chatter(events_at(float("nan"))), Invalid)
    assert isinstance(count_chatter(events_at(1.0), window_s=0), Invalid)


def test_glitch_peaks_and_durations() -> None:
    # An exponential dip of 120 mV, τ 4 ms: outside a band b for τ ln(120/b).
    t_s = np.arange(20_000) * 1e-5
    v = 12 - np.where(t_s < 0.06, 0, 0.120 * np.exp(-(t_s - 0.06) / 0.004))
    found = glitch(t_s, v, event_s=0.06)
    assert isinstance(found, Excursion)
    assert found.high_v == 0
    assert found.low_v == pytest.approx(-0.120, rel=1e-3)
    for band, span in found.outside_s:
        assert span == pytest.approx(0.004 * np.log(0.120 / band), abs=2e-5)
    assert isinstance(glitch(t_s, v, event_s=-1), Invalid)
    assert isinstance(glitch(t_s, v, event_s=0.2), Invalid)
