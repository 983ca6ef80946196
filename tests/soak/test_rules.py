"""Debounce, abort rules, minutes, plan: arithmetic by hand."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.bench import find_bench, load_bench
from runner.errors import InputError
from runner.profile import Profile, find_profile, load_profile
from runner.soak.minutes import Minutes
from runner.soak.plan import SoakPlan, make_plan
from runner.soak.rules import Debounce, Seen, Watchdog, judge_row


def _seen(volts: float | None, **more: object) -> Seen:
    return Seen(volts=volts, set_v=10.0, load_on=True, **more)  # type: ignore[arg-type]


# Limits by practice of unattended runs: V > V_set + 5 %, V < 90 % (0.1 V margin for small
# settings is this project's own).
@pytest.mark.parametrize(
    ("volts", "rule", "bad"),
    [
        (10.59, "over-voltage", False),
        (10.61, "over-voltage", True),
        (8.91, "under-voltage", False),
        (8.89, "under-voltage", True),
    ],
)
def test_voltage_rules_act_at_their_figures(volts: float, rule: str, bad: bool) -> None:
    assert judge_row(_seen(volts), 90.0)[rule] is bad


def test_what_was_not_read_offends_no_rule() -> None:
    bad = judge_row(_seen(None), 90.0)
    assert "over-voltage" not in bad
    assert "hot" not in bad
    assert not any(bad.values())


def test_one_wild_reading_stops_nothing_two_do() -> None:
    dog = Watchdog(90.0)
    assert dog.add(0.0, _seen(20.0)) is None
    assert dog.add(1.0, _seen(10.0)) is None
    assert dog.add(2.0, _seen(20.0)) is None
    assert dog.add(3.0, _seen(20.0)) == "over-voltage"


def test_an_invalid_reading_between_two_wild_ones_forgives_nothing() -> None:
    dog = Watchdog(90.0)
    assert dog.add(0.0, _seen(20.0)) is None
    assert dog.add(1.0, _seen(None)) is None
    assert dog.add(2.0, _seen(20.0)) == "over-voltage"


def test_a_minute_of_silence_is_enough() -> None:
    dog = Watchdog(90.0)
    assert dog.add(0.0, _seen(10.0, lost_s={"meter": 60.0})) is None
    assert dog.add(1.0, _seen(10.0, lost_s={"meter": 60.5})) == "lost"


def test_line_out_of_range_for_half_a_minute() -> None:
    dog = Watchdog(90.0)
    acted = [
        dog.add(t, _seen(10.0, line_v=200.0, line_set_v=230.0)) for t in (0.0, 10.0, 29.0, 30.0)
    ]
    assert acted == [None, None, None, "line"]


@given(st.lists(st.booleans(), max_size=60), st.integers(1, 5))
@settings(max_examples=60)
def test_debounce_acts_exactly_on_runs_of_that_length(bads: list[bool], rows: int) -> None:
    debounce, run = Debounce(rows), 0
    for i, bad in enumerate(bads):
        run = run + 1 if bad else 0
        assert debounce.add(float(i), bad) is (run >= rows)


@given(
    st.lists(
        st.tuples(st.floats(0, 30), st.one_of(st.none(), st.floats(-1e3, 1e3))),
        min_size=1, max_size=80,
    )
)  # fmt: skip
@settings(max_examples=60)
def test_minutes_lose_nothing(steps: list[tuple[float, float | None]]) -> None:
    minutes, t_s = Minutes(1), 0.0
    by_minute: dict[int, list[float]] = {}
    done = []
    for step_s, value in steps:
        t_s += step_s
        found = minutes.add(t_s, [value])
        if found is not None:
            done.append(found)
        if value is not None:
            by_minute.setdefault(int(t_s // 60), []).append(value)
    last = minutes.finish()
    done += [last] if last is not None else []
    assert {d["minute"]: (d["low"], d["high"], d["n"]) for d in done} == {
        minute: ([min(v)], [max(v)], [len(v)]) for minute, v in by_minute.items()
    }
    for one in done:
        values = by_minute[one["minute"]]  # type: ignore[index]
        assert one["mean"][0] == pytest.approx(sum(values) / len(values), rel=1e-8, abs=1e-9)  # type: ignore[index]


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile(find_profile("lb-2403"))


def test_a_night_of_twelve_hours_keeps_the_relay_budget(profile: Profile) -> None:
    plan = make_plan(profile, load_bench(find_bench("memory")), 43200.0, 10.0)
    assert [s.name for s in plan.stages] == [
        "hold", "worst-heat", "thermal-cycles", "tap-cycles",
    ]  # fmt: skip
    assert plan.lasts_s == pytest.approx(43200.0)
    assert [s.lasts_s / 3600 for s in plan.stages] == pytest.approx([5, 2, 4, 1])
    # A row on each side of the tap point: an hour of 20 s a pair. Read faster, 200 pairs.
    assert plan.relay_operations == 2 * 180
    faster = make_plan(profile, load_bench(find_bench("memory")), 43200.0, 1.0)
    assert faster.relay_operations == 400
    # Worst heat just above the upper end of the tap point: 12.5 V + 0.5 V + 0.2 V.
    assert plan.stages[1].set_v == pytest.approx(13.2)
    assert SoakPlan.from_dict(plan.to_dict()) == plan


def test_a_unit_set_by_hand_stays_where_its_knob_is(profile: Profile) -> None:
    by_hand = profile.model_copy(
        update={"unit": profile.unit.model_copy(update={"setting": "hand"})}
    )
    plan = make_plan(by_hand, load_bench(find_bench("memory")), 3600.0, 10.0)
    assert {s.set_v for s in plan.stages} == {24.0}


@pytest.mark.parametrize(
    ("for_s", "every_s", "only"),
    [(10.0, 5.0, ()), (3600.0, 0.01, ()), (3600.0, 10.0, ("dance",)), (0.0, 1.0, ())],
)
def test_a_plan_that_cannot_be_is_refused(
    profile: Profile, for_s: float, every_s: float, only: tuple[str, ...]
) -> None:
    with pytest.raises(InputError, match="expected"):
        make_plan(profile, load_bench(find_bench("memory")), for_s, every_s, only=only)
