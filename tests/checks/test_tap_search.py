"""The search against an ideal relay: it must land within its last step, cheaply, without wear."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace

from hypothesis import given, settings
from hypothesis import strategies as st

from runner.checks import tap_map
from runner.checks.tap_coarse import coarse_scan
from runner.checks.tap_search import (
    Seen,
    Window,
    match_taps,
    narrowed,
    search_pair,
    staircase_points,
    walk,
)

STEPS_V = (0.1, 0.02, 0.005)


@dataclass
class IdealUnit:
    """Comparators with hysteresis on the output; nothing else."""

    up_v: tuple[float, ...]
    down_v: tuple[float, ...]
    chatter_at: int | None = None
    winding: int = 0
    points: int = 0
    operations: int = 0
    visited: list[float] = field(default_factory=list)

    def move(self, volts: float) -> Seen:
        self.points += 1
        self.visited.append(volts)
        before = self.winding
        while self.winding < len(self.up_v) and volts > self.up_v[self.winding]:
            self.winding += 1
        while self.winding > 0 and volts < self.down_v[self.winding - 1]:
            self.winding -= 1
        self.operations += abs(self.winding - before)
        chatter = self.chatter_at is not None and (
            self.down_v[self.chatter_at] <= volts <= self.up_v[self.chatter_at] + 0.05
        )
        return Seen(volts, self.winding, 2 if chatter else abs(self.winding - before), chatter)


@given(st.floats(3.0, 20.0), st.floats(0.06, 1.5))
@settings(max_examples=60, deadline=None)
def test_a_point_is_found_within_the_last_step_both_ways(up_v: float, width_v: float) -> None:
    unit = IdealUnit((up_v,), (up_v - width_v,))
    rough = coarse_scan(unit.move, 1.0, 24.0, 0.5)
    assert len(rough) == 1
    unit.move(rough[0].rising.home_v)
    pair = search_pair(unit.move, rough[0].rising, rough[0].falling, STEPS_V)
    assert pair.rising is not None and pair.falling is not None
    assert pair.rising.quiet_v - 1e-9 <= up_v <= pair.rising.changed_v + 1e-9
    assert pair.falling.changed_v - 1e-9 <= up_v - width_v <= pair.falling.quiet_v + 1e-9
    assert pair.rising.step_v == pair.falling.step_v == STEPS_V[-1]


@given(st.floats(3.0, 20.0), st.floats(0.06, 1.5))
@settings(max_examples=40, deadline=None)
def test_the_search_needs_a_fifth_of_a_staircase_at_most(up_v: float, width_v: float) -> None:
    unit = IdealUnit((up_v,), (up_v - width_v,))
    rough = coarse_scan(unit.move, 1.0, 24.0, 0.5)
    unit.move(rough[0].rising.home_v)
    search_pair(unit.move, rough[0].rising, rough[0].falling, STEPS_V)
    assert unit.points <= 0.2 * staircase_points(1.0, 24.0, STEPS_V[-1])
    assert unit.operations <= 14


def test_three_points_are_told_apart_and_two_in_one_step_as_well() -> None:
    unit = IdealUnit((8.0, 8.2, 16.0), (7.4, 7.6, 15.2))
    rough = coarse_scan(unit.move, 1.0, 30.0, 0.5)
    assert len(rough) == 3
    for number, place in enumerate(rough):
        unit.move(place.rising.home_v)
        pair = search_pair(unit.move, place.rising, place.falling, STEPS_V)
        assert pair.rising is not None and pair.falling is not None
        assert abs(pair.rising.changed_v - unit.up_v[number]) <= STEPS_V[-1] + 1e-9
        assert abs(pair.falling.changed_v - unit.down_v[number]) <= STEPS_V[-1] + 1e-9


def test_a_start_too_far_in_goes_home_and_begins_earlier() -> None:
    unit = IdealUnit((12.0,), (11.4,))
    edge = walk(unit.move, Window(12.01, 12.1, 11.0, 0), 0.005)
    assert edge is not None
    assert edge.quiet_v <= 12.0 <= edge.changed_v + 1e-9
    assert min(unit.visited) == 11.0


def test_a_winding_that_never_changes_is_not_found() -> None:
    unit = IdealUnit((), ())
    assert coarse_scan(unit.move, 1.0, 24.0, 0.5) == []
    assert walk(unit.move, Window(5.0, 6.0, 4.0, 0), 0.1) is None


def test_a_winding_that_does_not_come_back_ends_the_search() -> None:
    unit = IdealUnit((12.0,), (0.0,))
    assert walk(unit.move, Window(12.5, 13.0, 11.0, 0), 0.1) is None
    assert unit.points <= 3


def test_chatter_ends_the_search_at_once() -> None:
    unit = IdealUnit((12.0,), (11.99,), chatter_at=0)
    pair = search_pair(unit.move, Window(11.5, 12.0, 11.0, 0), Window(12.0, 11.5, 12.5, 1), STEPS_V)
    assert pair.rising is not None and pair.rising.chatter
    assert pair.falling is None
    assert unit.points <= 7


def test_the_next_pass_begins_just_before_the_last_quiet_point() -> None:
    unit = IdealUnit((12.003,), (11.402,))
    window, back = Window(11.9, 12.1, 11.0, 0), Window(11.5, 11.3, 12.5, 1)
    pair = search_pair(unit.move, window, back, STEPS_V)
    assert pair.rising is not None and pair.falling is not None
    before = unit.points
    again = walk(unit.move, narrowed(window, pair.rising, 0.015), 0.005)
    assert again is not None and again.changed_v == pair.rising.changed_v
    assert unit.points - before <= 6


def test_found_points_take_the_nearest_expected_numbers() -> None:
    assert match_taps([9.1, 20.2], [9.0, 14.5, 20.0]) == [1, 3]
    assert match_taps([14.0], [9.0, 14.5, 20.0]) == [2]
    assert match_taps([1.0, 2.0, 3.0], [9.0, 14.5, 20.0]) == [1, 2, 3]
    assert match_taps([], [9.0]) == []
    assert match_taps([8.0, 15.0], [9.0]) == [1, 2]


def test_a_search_led_astray_stays_within_the_rating() -> None:
    """An output that went off looked like a change at 24 V; widened, it asked for 24.5 V."""
    asked: list[float] = []

    def to(volts: float) -> Seen:
        asked.append(volts)
        return Seen(volts, 0)

    probe = SimpleNamespace(readings={24.0: None, 0.0: None}, move=to)
    log = SimpleNamespace(reading=lambda *_, **__: None)
    search = SimpleNamespace(probe=probe, low_v=0.0, high_v=24.0, work=SimpleNamespace(log=log))
    move = tap_map._Search.mover(search)  # type: ignore[arg-type]
    assert [move(24.5).volts, move(-0.5).volts] == asked == [24.0, 0.0]
