"""One handheld, two resistors, nobody's cable: every check that they allow, none that they do not.

What a handheld without a stated accuracy shows can be no more than a conditional pass (design
rule 4), and what resistors cannot reach is said not to be measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from runner.acceptance import Acceptance, Outcome, load_simulated, run_acceptance
from runner.bench import find_bench
from runner.errors import InputError
from runner.job import Job
from runner.reading import Reading
from tests.e2e.cli import asleft

ALLOWED = {"before-power", "earth-reference", "setting", "load-effect"}
MORE = """
[[instrument]]
name = "scope"
role = "scope"
address = "by-hand"
reference = "isolated"
isolation_rating = "300 V"
earthed_by_mains = false
interface = "none"

[instrument.probes.ch1]
kind = "coax"

[[instrument]]
name = "mains-meter"
role = "mains-meter"
address = "by-hand"
reference = "isolated"
isolation_rating = "300 V"

[[instrument]]
name = "thermometer"
role = "thermometer"
address = "by-hand"
reference = "isolated"
isolation_rating = "300 V"

[[connection]]
from = "scope.ch1.tip"
to = "unit.plus"

[[connection]]
from = "scope.ch1.shell"
to = "unit.minus"
"""


def run(bench: Path, folder: Path, faults: Sequence[str] = (), *, quick: bool = True) -> Outcome:
    wanted = Acceptance(
        inputs=load_simulated(bench, None), job=Job(), out=folder, quick=quick, faults=tuple(faults)
    )
    return run_acceptance(wanted, _nobody, lambda *_: None)


def _nobody(_: Any) -> Any:
    raise AssertionError("simulated hands answer")


def _by_check(outcome: Outcome) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for one in outcome.assessment.findings:
        found.setdefault(one.check, set()).add(str(one.decision))
    return found


@pytest.fixture(scope="module")
def least(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return run(find_bench("by-hand"), tmp_path_factory.mktemp("least"))


def test_all_that_is_allowed_is_measured_and_nothing_else(least: Outcome) -> None:
    assert least.ending.how == "complete"
    assert least.ending.load_off_confirmed is True
    decisions = _by_check(least)
    assert not any({"fail", "conditional fail"} & said for said in decisions.values())
    measured = {check for check, said in decisions.items() if said - {"not measured"}}
    assert measured == ALLOWED
    for one in least.assessment.findings:
        if one.check not in ALLOWED:
            assert one.decision == "not measured" and len(one.reason) > 20
    for check in ALLOWED - {"before-power"}:
        assert "pass" not in decisions[check], check


def test_the_resistors_draw_what_is_written_down(least: Outcome) -> None:
    """Ohm's law on the two resistors of the bench file, within their printed 1 %."""
    amps = [
        Reading.from_dict(line)
        for line in least.record.of_kind("reading")
        if line["quantity"] == "load-current"
    ]
    assert amps
    for one in amps:
        assert one.value is not None and one.u is not None
        if one.value:
            ohms = float(one.raw.split()[0])
            assert ohms in {8.2, 33.0}
            assert one.u == pytest.approx(0.01 * one.value / 3**0.5)


def test_a_soft_output_is_seen_by_hand(tmp_path: Path, least: Outcome) -> None:
    """An open sense link: a third of an ohm drops 0.6 V at 1.8 A: any handheld sees that."""
    found = run(find_bench("by-hand"), tmp_path, ("sense-open:ohms=0.33",))
    effect = next(one for one in found.assessment.findings if one.what == "load effect")
    assert effect.decision == "fail"
    assert effect.value == pytest.approx(0.33 * 1.75, rel=0.05)
    slope = next(one for one in found.assessment.findings if one.what == "output resistance")
    assert slope.value == pytest.approx(0.33, rel=0.05)


def test_a_person_with_a_scope_gets_the_ripple_too(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    text = find_bench("by-hand").read_text(encoding="utf-8")
    bench.write_text(text + MORE, encoding="utf-8")
    outcome = run(bench, tmp_path, quick=False)
    assert outcome.ending.how == "complete"
    decisions = _by_check(outcome)
    assert decisions["ripple"] == {"conditional pass"}
    assert decisions["switching"] == decisions["transient"] == {"not measured"}
    places = {line["at"]["load_a"] for line in outcome.record.of_kind("reading")
              if line["quantity"] == "ripple-pp"}  # fmt: skip
    assert max(places) == pytest.approx(15.0 / 8.2, rel=0.02)  # not the 2 A that were wanted
    read = {line["quantity"] for line in outcome.record.of_kind("reading")}
    assert {"line-voltage", "heatsink-temperature"} <= read


def test_the_command_shows_it(tmp_path: Path) -> None:
    called = asleft("demo", "-b", "by-hand", "--quick", "--json", "--out", str(tmp_path))
    assert called.code == 1, called.err
    assert called.json["simulated"] is True


def test_a_bench_with_addresses_is_never_a_demonstration() -> None:
    with pytest.raises(InputError, match=r"shop\.toml.*instrument\.1\.address.*by-hand"):
        load_simulated(find_bench("shop"), None)
