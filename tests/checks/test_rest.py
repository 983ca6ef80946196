"""When a knob has come to rest, and when it never will: readings from a stub on virtual time."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from runner.checks.stepping import HOLD_S, HOLD_TIMEOUT_S, RESTLESS_S, go_to
from runner.clock import VirtualClock
from runner.operator.requests import Answer
from runner.reading import Reading
from tests.checks import made_up

STEP_S = 0.03
Output = Callable[[float], float]


def _go(output: Output, asked_v: float = 7.5) -> tuple[float, bool, float]:
    """Where the hand's output is taken to rest, whether it rests, and the bench time in s."""
    clock, events = VirtualClock(), []

    def read() -> Reading:
        clock.sleep(STEP_S)
        now_s = clock.mono_s()
        return Reading("output-voltage", output(now_s), "V", "meter", "dc-volts", t_mono_s=now_s)

    meter = SimpleNamespace(read_volts=read, set_dc_volts=lambda **_: None)
    unit = SimpleNamespace(by_hand=True, set_voltage=lambda *_a, **_k: Answer(done=True))
    work: Any = SimpleNamespace(
        instruments=SimpleNamespace(meter=meter), output=unit, profile=made_up.profile("kn-1502"),
        clock=clock, log=SimpleNamespace(event=lambda what, **_: events.append(what)),
        operator=SimpleNamespace(answer=lambda _request: Answer(done=True)),
    )  # fmt: skip
    rested: list[bool] = []
    held_v = go_to(work, asked_v, on_rest=rested.append)
    assert ("restless" in events) is not rested[-1]
    return held_v, rested[-1], clock.mono_s()


def test_a_still_output_is_taken_after_its_hold() -> None:
    held_v, rests, took_s = _go(lambda _t: 7.49)
    assert (held_v, rests) == (pytest.approx(7.49), True)
    assert took_s < HOLD_S + 1.0


def test_a_slow_hand_is_waited_for() -> None:
    # 30 s of turning at 0.1 V/s, then still: longer than a restless knob is looked at.
    held_v, rests, took_s = _go(lambda t: min(7.5, 4.5 + 0.1 * t))
    assert (held_v, rests) == (pytest.approx(7.5, abs=2e-3), True)
    assert 30.0 < took_s < 30.0 + HOLD_S + 1.0


@pytest.mark.parametrize("seed", range(5))
def test_an_output_that_jumps_about_is_given_up_in_seconds(seed: int) -> None:
    noise = np.random.default_rng(seed)
    held_v, rests, took_s = _go(lambda _t: 7.5 + 0.03 * noise.standard_normal())
    assert not rests
    assert held_v == pytest.approx(7.5, abs=4 * 0.03 / 50**0.5)  # mean of the last fifty
    assert took_s < 2 * RESTLESS_S + 1.0 < HOLD_TIMEOUT_S


def test_an_output_that_runs_away_is_given_up_in_the_end() -> None:
    _, rests, took_s = _go(lambda t: 7.5 + 0.01 * t)
    assert not rests and took_s == pytest.approx(HOLD_TIMEOUT_S, abs=1.0)
