"""The check earth-reference on the simulated bench, beside the truth of its plant."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.bench import find_bench, load_bench
from runner.checks.check import Conditions
from runner.checks.earth_reference import CHECK
from runner.errors import HazardStop
from runner.finding import Decision
from runner.hookup import EarthReference, Kind, earth_measured, judge
from runner.operator.requests import Answer, MoveLead, Request
from runner.profile import find_profile, load_profile
from runner.record.reader import CheckData
from tests.checks.simulated import Simulated

OHMS = {"unit.plus": "r_plus_earth_ohm", "unit.minus": "r_minus_earth_ohm"}


@pytest.mark.parametrize(
    ("fault", "plus", "minus", "decision"),
    [
        ("", Kind.STRAY, Kind.STRAY, Decision.PASS),
        ("output-earth-short-positive", Kind.HARD, Kind.MASKED, Decision.FAIL),
        ("output-earth-short-negative", Kind.MASKED, Kind.HARD, Decision.FAIL),
        ("output-earth-leak:ohms=10000", Kind.LEAK, Kind.STRAY, Decision.FAIL),
        ("output-earth-leak:ohms=20e6,plus=0", Kind.STRAY, Kind.LEAK, Decision.PASS),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_what_is_found_is_what_the_plant_has(
    tmp_path: Path, fault: str, plus: Kind, minus: Kind, decision: Decision, seed: int
) -> None:
    with Simulated(tmp_path, faults=[fault] if fault else [], seed=seed) as bench:
        result = bench.run("earth-reference")
        measured = earth_measured(result.data)
        kinds = {"unit.plus": plus, "unit.minus": minus}
        for terminal, one in measured.terminals.items():
            assert one.kind is kinds[terminal]
            assert one.low_ohms <= getattr(bench.truth, OHMS[terminal]) <= one.high_ohms
        assert not bench.plant._engine.branches.keys() - {"meter"}  # bleed taken off again
    worst = {f.decision for f in result.all("resistance")}
    assert (Decision.FAIL in worst) is (decision is Decision.FAIL)
    if not fault:
        assert {f.decision for f in result.findings} == {Decision.PASS}


def test_stray_current_of_a_switch_mode_unit(tmp_path: Path) -> None:
    with Simulated(tmp_path, profile="sw-3010") as bench:
        result = bench.run("earth-reference")
        farads = bench.plant.parts.earth.c_stray_f
    finding = result.finding("current the output can drive")
    true_a = 115.0 * 2 * 3.14159265 * 50.0 * farads
    measured = earth_measured(result.data).available
    assert measured is not None
    assert measured.low_a <= true_a <= measured.high_a
    assert finding.decision is Decision.PASS


def test_an_earthed_clip_is_taken_off_and_put_back_when_nothing_speaks_against_it(
    tmp_path: Path,
) -> None:
    with Simulated(tmp_path, bench="earthed-scope") as bench:
        bench.run("earth-reference")
        moves = _moves(bench)
    assert [m.lead for m in moves if not m.to] == ["scope.ch1.shell", "scope.ch2.shell"]
    assert [(m.lead, m.to) for m in moves][-2:] == [
        ("scope.ch1.shell", "unit.minus"), ("scope.ch2.shell", "unit.minus"),
    ]  # fmt: skip


def test_an_earthed_clip_stays_off_when_the_other_terminal_is_tied(tmp_path: Path) -> None:
    faults = ["output-earth-short-positive"]
    with Simulated(tmp_path, bench="earthed-scope", faults=faults) as bench:
        result = bench.run("earth-reference")
        assert not [m for m in _moves(bench) if m.lead.startswith("scope") and m.to]
        assert "stay off" in result.data.notes[0]
        verdict = judge(bench.bench, bench.profile, earth_measured(result.data))
    assert [h.code for h in verdict.stops] == [
        "output-shorted-through-earth", "earth-reference-contradicts",
    ]  # fmt: skip
    assert "screen of channel 1" in verdict.stops[0].wires
    # The same unit on the bench with isolated probes has no stop: it runs, and fails this check.
    isolated = load_bench(find_bench("memory"))
    assert not judge(isolated, bench.profile, earth_measured(result.data)).stops


def _moves(bench: Simulated) -> list[MoveLead]:
    return [r for r in bench.opened.operator.answered if isinstance(r, MoveLead)]


class Unwilling:
    """Does nothing that is asked."""

    def answer(self, request: Request) -> Answer:
        return Answer(done=False)


def test_a_lead_that_is_not_taken_off_stops_the_run(tmp_path: Path) -> None:
    with Simulated(tmp_path, bench="earthed-scope") as bench:
        bench.opened.operator = Unwilling()
        with pytest.raises(HazardStop, match=r"Take ch1\.shell of scope off the unit"):
            bench.run("earth-reference")


def test_an_earthed_meter_cannot_do_it() -> None:
    bench = load_bench(find_bench("memory"))
    meter = bench.by_role("meter")
    assert meter is not None
    for reference in ("earthed", "unknown"):
        changed = meter.model_copy(update={"reference": reference})
        others = tuple(one for one in bench.instrument if one.role != "meter")
        with_it = bench.model_copy(update={"instrument": (changed, *others)})
        profile = load_profile(find_profile("lb-2403"))
        assert "isolated inputs" in str(CHECK.plan(Conditions(profile, with_it)).missing)


def test_incomplete_readings_are_not_measured() -> None:
    data = CheckData("earth-reference", [], [], [], [], {})
    assert earth_measured(data) == EarthReference()
    found = CHECK.findings(data, load_profile(find_profile("lb-2403")))
    assert [f.decision for f in found] == [Decision.NOT_MEASURED]
