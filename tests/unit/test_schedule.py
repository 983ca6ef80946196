"""The schedule: what a unit's profile leaves out, what each way of working costs."""

from __future__ import annotations

import pytest

from runner.bench import find_bench, load_bench
from runner.checks.check import Conditions
from runner.profile import Profile, find_profile, load_profile
from runner.schedule import RELAY_BUDGET, make_schedule


def _profile(name: str, **changes: object) -> Profile:
    profile = load_profile(find_profile(name))
    return profile.model_copy(update={"unit": profile.unit.model_copy(update=changes)})


@pytest.mark.parametrize("tap_control", ["none", "phase", "preregulator"])
def test_units_without_tap_points_are_not_searched_for_them(tap_control: str) -> None:
    # Practice: a phase-controlled raw voltage follows the output; there is nothing to look for.
    profile = _profile("sw-3010", kind="linear", tap_control=tap_control)
    made = make_schedule(Conditions(profile, load_bench(find_bench("memory"))))
    assert "tap-map" not in {step.check.name for step in made.steps}


@pytest.mark.parametrize("name", ["lb-2403", "lb-3605", "sc-2502"])
def test_units_with_tap_points_are(name: str) -> None:
    made = make_schedule(Conditions(_profile(name), load_bench(find_bench("memory"))))
    step = next(step for step in made.steps if step.check.name == "tap-map")
    assert step.plan.missing is None
    assert 0 < step.plan.relay_operations <= RELAY_BUDGET >= made.relay_operations


def test_the_ten_minute_check_with_meter_and_resistor() -> None:
    bench, profile = load_bench(find_bench("by-hand")), _profile("kn-1502")
    made = make_schedule(Conditions(profile, bench, quick=True))
    assert made.duration_s <= 11 * 60
    done = {step.check.name for step in made.steps if step.plan.missing is None}
    assert done == {"before-power", "earth-reference", "setting", "load-effect"}
    assert all(step.plan.hands for step in made.steps if step.plan.missing is None)


@pytest.mark.parametrize("bench", ["memory", "by-hand"])
def test_what_cannot_be_done_says_why_and_what_would_help(bench: str) -> None:
    made = make_schedule(Conditions(_profile("kn-1502"), load_bench(find_bench(bench))))
    for step in made.steps:
        if step.plan.missing is not None:
            assert ":" in step.plan.missing or "needs" in step.plan.missing, step.plan.missing
