"""An outside source at the output: typed values, and the whole check beside the plant's parts."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from runner.bench import find_bench, load_bench
from runner.checks import back_feed_findings
from runner.checks.back_feed import CHECK, NOT_ASKED
from runner.checks.check import Conditions
from runner.errors import InputError
from runner.finding import Decision, Finding
from runner.profile import find_profile, load_profile
from runner.reading import Reading
from runner.schedule import make_schedule
from sim_instruments.outside_source import at_terminals
from sim_instruments.plant.parts import Regulator
from tests.checks import made_up
from tests.checks.made_up import data, volts
from tests.checks.simulated import Simulated

PROFILE = made_up.profile("sc-2502")
PLAIN = made_up.profile("lb-2403")


def _typed(quantity: str, value: float | None, unit: str, **at: float | str) -> Reading:
    reason = None if value is not None else "was not read"
    return Reading(
        quantity, value, unit, "handheld meter", quantity, reason=reason, at=dict(at)
    )  # fmt: skip


def _found(reverse_v: float | None, off_a: float, on_a: float, after_v: float) -> list[Finding]:
    source = {"source_v": 6.0, "series_ohm": 100.0}
    readings = [
        _typed("reverse-voltage", reverse_v, "V", state="reversed", source_a=0.1),
        _typed("back-feed-current", off_a, "A", state="off", **source),
        _typed("back-feed-current", on_a, "A", state="on", **source),
    ]
    for when, value in (("before", 5.0), ("after", after_v)):
        for step in range(5):
            one = volts(value + step * 1e-4)
            readings.append(replace(one, at={"when": when, "set_v": 5.0}))
    return back_feed_findings.findings(data("back-feed", readings), PROFILE)


def _decisions(found: list[Finding]) -> list[Decision]:
    return [one.decision for one in found]


def test_a_good_output_bears_the_source() -> None:
    found = _found(0.74, 0.0043, 0.0045, 5.0)
    assert _decisions(found) == [Decision.PASS] * 4
    # Handheld meters: 1 % + 10 mV (common practice), as a rectangle: U = 1.65 / √3 of it at 95 %.
    assert found[0].u_expanded == pytest.approx(0.95 * (0.0074 + 0.010), rel=0.05)


def test_an_open_reverse_diode_fails() -> None:
    # Practice: 0.5 V to 1 V at 0.1 A to 0.5 A; an open diode shows the source's own 3 V.
    found = _found(3.0, 0.004, 0.004, 5.0)
    assert found[0].decision is Decision.FAIL and "diode" in found[0].reason


def test_an_output_that_draws_fails_off_and_on() -> None:
    # 6 V through 100 Ω: a shorted output takes 60 mA, a healthy bleeder a few.
    assert _decisions(_found(0.7, 0.058, 0.058, 5.0))[1:3] == [Decision.FAIL, Decision.FAIL]


def test_an_output_that_does_not_come_back_fails() -> None:
    assert _found(0.7, 0.004, 0.004, 5.2)[3].decision is Decision.FAIL


def test_what_was_not_read_or_joined_is_not_measured() -> None:
    assert _found(None, 0.004, 0.004, 5.0)[0].decision is Decision.NOT_MEASURED
    nothing = back_feed_findings.findings(
        data("back-feed", events=[{"what": "not-joined", "state": "above", "words": "no source"}]),
        PROFILE,
    )
    assert set(_decisions(nothing)) == {Decision.NOT_MEASURED}
    assert "no source" in nothing[0].reason


def test_without_permission_the_question_is_not_asked_and_said_to_be_left_out() -> None:
    bench = load_bench(find_bench("memory"))
    assert not CHECK.plan(Conditions(PLAIN, bench)).applies
    made = make_schedule(Conditions(PLAIN, bench))
    assert "back-feed" not in [step.check.name for step in made.steps]
    assert {"check": "back-feed", "title": CHECK.title, "reason": NOT_ASKED} in (
        made.to_dict()["left_out"]
    )
    asked = make_schedule(Conditions(PROFILE, bench))
    assert "back-feed" in [step.check.name for step in asked.steps] and not asked.left_out


def test_the_profile_names_what_is_allowed(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    plain = find_profile("lb-2403").read_text(encoding="utf-8")
    path.write_text(f'{plain}\n[back_feed]\nvoltage = "1 V"\ncurrent = "0.1 A"\nsource = "x"\n')
    with pytest.raises(InputError, match=r"back_feed\.voltage"):
        load_profile(path)


# --- the steady state at the terminals (Ohm's law)


@pytest.mark.parametrize(
    ("own_v", "source_v", "expected_v", "expected_a"),
    [
        (0.0, 6.0, 6.0 * 1000 / 1100, 6.0 / 1100),  # off: source, 100 Ω and the bleeder in series
        (5.0, 6.0, 6.0 * 1000 / 1100, 6.0 / 1100),  # the bleeder cannot hold the output at 5 V
        (5.9, 6.0, 5.9, 0.001),  # the unit still gives what its bleeder needs beyond 1 mA
    ],
)
def test_a_source_the_right_way_round(
    own_v: float, source_v: float, expected_v: float, expected_a: float
) -> None:
    unit = Regulator(v_max=24.0, i_max=3.0, bleed_ohm=1000.0)
    volts_, amps = at_terminals(unit, own_v, source_v, 0.06, 100.0)
    assert (volts_, amps) == pytest.approx((expected_v, expected_a))


def test_a_down_programmer_draws_what_it_can() -> None:
    unit = Regulator(v_max=24.0, i_max=3.0, bleed_ohm=1e9, sink_a=0.1)
    assert at_terminals(unit, 5.0, 6.0, 0.06, 100.0) == pytest.approx((5.0, 0.01))


def test_a_reversed_source_is_held_by_the_diode_or_not_at_all() -> None:
    unit = Regulator(v_max=24.0, i_max=3.0)
    assert at_terminals(unit, 0.0, -3.0, 0.1, 0.0) == (-0.75, -0.1)
    broken = replace(unit, reverse_diode_v=math.inf)
    assert at_terminals(broken, 0.0, -3.0, 0.1, 0.0) == (-3.0, 0.0)


# --- the whole check


def test_the_whole_check_on_a_healthy_unit(tmp_path: Path) -> None:
    with Simulated(tmp_path, profile="sc-2502") as bench:
        result = bench.run("back-feed")
        bleed_ohm = bench.plant.parts.regulator.bleed_ohm
    assert {one.decision for one in result.findings} == {Decision.PASS}
    taken = result.finding("current taken from an outside source", "unit off")
    assert taken.value == pytest.approx(6.0 / (100.0 + bleed_ohm), abs=taken.u_expanded)
    held = result.finding("voltage of a reversed source")
    assert held.value == pytest.approx(0.75, abs=held.u_expanded)


def test_the_whole_check_finds_an_open_reverse_diode(tmp_path: Path) -> None:
    with Simulated(tmp_path, profile="sc-2502") as bench:
        parts = bench.plant.parts
        regulator = replace(parts.regulator, reverse_diode_v=math.inf)
        bench.plant._engine.new_parts(replace(parts, regulator=regulator))
        result = bench.run("back-feed")
    assert result.finding("voltage of a reversed source").decision is Decision.FAIL
