"""When passes by hand are enough, and the load raised just below a tap point."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest
from scipy import stats

from runner.checks import tap_map_findings
from runner.checks.tap_ramp import RAMP, ramp_load
from runner.checks.tap_turns import MOST_PASSES, PASSES, SCATTER_V, enough
from runner.clock import VirtualClock
from runner.finding import Decision, Finding
from tests.checks import made_up
from tests.checks.tap_events import tap_events

PROFILE = made_up.profile()


def _passes(n: int, spread_v: float) -> list[float]:
    """Passes whose standard deviation is ``spread_v`` (n - 1 in its square)."""
    around = [(-1) ** k * ((n // 2) - k // 2) for k in range(n)]
    mean = sum(around) / n
    apart = [one - mean for one in around]
    now = (sum(one * one for one in apart) / (n - 1)) ** 0.5
    return [12.5 + spread_v * one / now for one in apart]


@pytest.mark.parametrize("n", [5, 6, 8, 11])
def test_passes_stop_when_their_mean_is_known_well_enough(n: int) -> None:
    # Student's t (scipy): the 95 % interval of the mean of n is ± t(n - 1) s / √n.
    limit_v = SCATTER_V * n**0.5 / float(stats.t.ppf(0.975, n - 1))
    assert enough(_passes(n, 0.98 * limit_v), PASSES)
    assert not enough(_passes(n, 1.02 * limit_v), PASSES)


def test_passes_stop_in_the_end_whatever_they_scatter() -> None:
    assert not enough(_passes(MOST_PASSES - 1, 0.5), PASSES)
    assert enough(_passes(MOST_PASSES, 0.5), PASSES)


def test_few_passes_are_never_enough_but_the_one_that_was_wanted_is() -> None:
    assert not enough([12.5] * (PASSES - 1), PASSES)
    assert enough([12.5], 1) and not enough([], 1)


class Coils:
    """A coil that moves so often after each step of the load."""

    def __init__(self, moves: Sequence[int], *, watched: bool = True) -> None:
        self.moves, self.watched = list(moves), watched

    def guard(self, _tap: int) -> bool:
        return self.watched

    def edges(self, _tap: int) -> int:
        return self.moves.pop(0)

    def release(self) -> None:
        self.moves.clear()


def _ramp(coils: Coils) -> tuple[dict[str, Any], list[float], int]:
    """The event that was written, the load's settings in A, and the operations spent."""
    settings: list[float] = []
    events: list[dict[str, Any]] = []
    load = SimpleNamespace(
        set_current=settings.append, max_current_a=30.0, max_voltage_v=150.0, max_power_w=300.0
    )
    meter = SimpleNamespace(read_volts=lambda: made_up.volts(12.47))
    work: Any = SimpleNamespace(
        instruments=SimpleNamespace(load=load, meter=meter), profile=PROFILE, clock=VirtualClock(),
        log=SimpleNamespace(event=lambda what, **more: events.append({"what": what, **more})),
    )  # fmt: skip
    spent = ramp_load(work, coils, 1, 1.5)  # type: ignore[arg-type]
    return events[0], settings, spent


def _found(event: dict[str, Any]) -> Finding:
    data = made_up.data("tap-map", events=[*tap_events(12.5, 11.9), event])
    found = tap_map_findings.findings(data, PROFILE)
    return next(one for one in found if "while the load rises" in one.what)


def test_the_load_rises_from_nothing_to_the_rated_current_and_comes_back() -> None:
    event, settings, spent = _ramp(Coils([0] * 10))
    assert settings[0] == 0.0 and settings[-1] == 1.5 and spent == 0
    assert settings[1:-1] == sorted(settings[1:-1])
    assert settings[-2] == pytest.approx(3.0)  # the profile's rated current
    assert event["what"] == RAMP and event["at_v"] == 12.47
    assert _found(event).decision is Decision.PASS


def test_one_change_is_a_tap_point_that_moves_with_the_load() -> None:
    event, _, spent = _ramp(Coils([0, 0, 0, 1, 0, 0, 0, 0, 0, 0]))
    assert spent == 1 and event["first_a"] == pytest.approx(1.2)
    assert _found(event).decision is Decision.PASS


def test_chatter_ends_the_ramp_and_fails() -> None:
    # Practice: two changes or more with nothing moved are chatter.
    event, settings, spent = _ramp(Coils([0, 1, 1, 9, 9, 9, 9, 9, 9, 9]))
    assert spent == 2 and event["chatter"] and settings[-2] == pytest.approx(0.9)
    finding = _found(event)
    assert finding.decision is Decision.FAIL and "0.6 A" in finding.reason


def test_without_a_look_at_the_coil_nothing_is_claimed() -> None:
    event, _, _ = _ramp(Coils([], watched=False))
    assert _found(event).decision is Decision.NOT_MEASURED
