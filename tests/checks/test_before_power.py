"""Values of the safety tester: limits by class and cord, waiver, refusal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from runner.checks.before_power import CHECK
from runner.checks.before_power_limits import QUESTIONS, earth_bond_limit_ohm, limits_for
from runner.checks.before_power_values import FiledAnswers, load_safety_values
from runner.checks.check import Workplace
from runner.clock import VirtualClock
from runner.errors import HazardStop, InputError
from runner.finding import Decision
from runner.operator.requests import Answer, AskNumber, AskYesNo, Confirm, Request
from runner.profile import find_profile, load_profile
from runner.reading import Reading
from runner.record.reader import CheckData

PROFILE = load_profile(find_profile("lb-2403"))
GOOD = {
    "cord-length": 2.0, "earth-bond": 0.11, "insulation": 320.0, "output-insulation": 320.0,
    "earth-current": 0.18, "touch-current": 0.012,
}  # fmt: skip


class Log:
    """Keeps what a check writes."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.events: list[dict[str, Any]] = []

    def reading(self, reading: Reading, **at: float | str) -> Reading:
        self.readings.append(reading.placed(**at))
        return self.readings[-1]

    def event(self, what: str, **fields: Any) -> None:
        self.events.append({"what": what, **fields})


class Typist:
    """Types numbers by topic; skips what it does not have."""

    def __init__(self, numbers: dict[str, float], waiver: str = "", looked: bool = True) -> None:
        self.numbers, self.waiver, self.looked = numbers, waiver, looked

    def answer(self, request: Request) -> Answer:
        key = request.topic.partition(":")[2]
        if isinstance(request, AskYesNo):
            return Answer(done=self.looked)
        if isinstance(request, Confirm):
            return Answer(done=bool(self.waiver), words=self.waiver)
        assert isinstance(request, AskNumber)
        value = self.numbers.get(key)
        return Answer(done=value is not None, value=value, skip=value is None)


def _work(operator: Any) -> Workplace:
    return Workplace(None, None, PROFILE, None, Log(), operator, VirtualClock())  # type: ignore[arg-type]


def _findings(work: Workplace) -> dict[str, Any]:
    log: Any = work.log
    data = CheckData("before-power", log.readings, log.events, [], [], {})
    return {finding.what: finding for finding in CHECK.findings(data, PROFILE)}


@pytest.mark.parametrize(
    ("cord_m", "limit_ohm"),
    # Check value T3-01: VDE 0701-1:2000 table, EN 50678/50699 as reported (documented).
    [(3, 0.3), (5, 0.3), (12.5, 0.4), (20, 0.5), (57.5, 1.0), (65, 1.0)],
)
def test_earth_bond_limit_by_cord_length(cord_m: float, limit_ohm: float) -> None:
    assert earth_bond_limit_ohm(cord_m) == pytest.approx(limit_ohm)


def test_a_value_beyond_its_limit_is_looked_at_again_before_it_ends_the_work() -> None:
    class Slips(Typist):
        """Types the cord's length first where the insulation is asked for."""

        def answer(self, request: Request) -> Answer:
            if request.topic.endswith(":insulation") and "Look again" not in request.text:
                return Answer(done=True, value=0.18)
            return super().answer(request)

    work = _work(Slips(GOOD))
    CHECK.measure(work)
    assert _findings(work)[QUESTIONS["insulation"].what].value == pytest.approx(320e6)
    with pytest.raises(HazardStop, match="insulation"):
        CHECK.measure(_work(Slips({**GOOD, "insulation": 0.18})))


def test_earth_bond_limit_of_a_thick_cord() -> None:
    # Check value T3-02: R = l/(κA), κ = 56 m/(Ω·mm²) (κ from memory): 20 m, 2.5 mm² 0.143 Ω.
    assert earth_bond_limit_ohm(20, 2.5) == pytest.approx(0.143, rel=2e-3)
    assert earth_bond_limit_ohm(2, 2.5) == pytest.approx(0.1)  # smallest limit for a single lead


def test_limits_by_protection_class() -> None:
    # Check values T3-03 (VDE 0701-1:2000, documented), T3-06 and T3-07 (0701-0702:2008 sheets).
    one = {limit.key: limit for limit in limits_for("I", 2.0)}
    assert one["insulation"].low == 1.0e6
    assert one["output-insulation"].low == 2.0e6
    assert one["earth-current"].high == pytest.approx(3.5e-3)
    two = {limit.key: limit for limit in limits_for("II", 2.0)}
    assert two["insulation"].low == 2.0e6
    assert two["touch-current"].high == pytest.approx(0.5e-3)
    assert "earth-bond" not in two
    three = {limit.key: limit for limit in limits_for("III", 2.0)}
    assert three["insulation"].low == 0.25e6


def test_every_limit_says_how_well_it_is_sourced() -> None:
    for protection in ("I", "II", "III"):
        for limit in limits_for(protection, 2.0):  # type: ignore[arg-type]
            assert "documented" in limit.source or "from memory" in limit.source


@pytest.mark.parametrize("cord_m", [0.0, -1.0, float("nan"), float("inf")])
def test_a_cord_of_no_length_is_refused(cord_m: float) -> None:
    with pytest.raises(ValueError, match="length"):
        earth_bond_limit_ohm(cord_m)


def test_good_values_pass_and_nothing_is_called_safe() -> None:
    work = _work(Typist(GOOD))
    CHECK.measure(work)
    found = _findings(work)
    assert len(found) == 6
    assert {f.decision for f in found.values()} == {Decision.PASS}
    assert not any("safe" in str(f.to_dict()).replace("safety tester", "") for f in found.values())


def test_without_values_and_without_a_waiver_the_run_goes_no_further() -> None:
    with pytest.raises(HazardStop, match="waiver"):
        CHECK.measure(_work(Typist({})))


def test_a_waiver_is_kept_and_makes_every_value_not_measured() -> None:
    work = _work(Typist({"cord-length": 2.0}, waiver="tester away for calibration"))
    CHECK.measure(work)
    found = _findings(work)
    del found["looked over"]
    assert {f.decision for f in found.values()} == {Decision.NOT_MEASURED}
    assert all("tester away for calibration" in f.reason for f in found.values())


@pytest.mark.parametrize(
    ("key", "value"),
    [("earth-bond", 0.31), ("insulation", 0.9), ("output-insulation", 1.9),
     ("earth-current", 3.6), ("touch-current", 0.51)],
)  # fmt: skip
def test_a_value_beyond_its_limit_ends_the_work_even_with_a_waiver(key: str, value: float) -> None:
    with pytest.raises(HazardStop, match="no power to this unit"):
        CHECK.measure(_work(Typist(GOOD | {key: value}, waiver="never mind")))


def test_a_value_near_its_limit_is_only_conditional() -> None:
    # 0.27 Ω with a tester that may be 30 % out (EN 61557-1, from memory) reaches 0.35 Ω.
    work = _work(Typist(GOOD | {"earth-bond": 0.27}))
    CHECK.measure(work)
    found = _findings(work)["protective conductor resistance"]
    assert found.decision is Decision.CONDITIONAL_PASS


def test_a_unit_that_was_not_looked_over_gets_no_power() -> None:
    with pytest.raises(HazardStop, match="looked over"):
        CHECK.measure(_work(Typist(GOOD, looked=False)))


FILE = """format = 1
tester = "ST-20 no. 1144"
tested_on = "2026-05-04"
looked_over = true
cord_length_m = 2.0
earth_bond = "0.12 Ω"
insulation = "200 MΩ"
output_insulation = "150 MΩ"
earth_current = "0.2 mA"
touch_current = "20 µA"
"""


def test_values_come_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "values.toml"
    path.write_text(FILE, encoding="utf-8")
    work = _work(FiledAnswers(load_safety_values(path), Typist({})))
    CHECK.measure(work)
    found = _findings(work)
    assert {f.decision for f in found.values()} == {Decision.PASS}
    assert found["protective conductor resistance"].value == pytest.approx(0.12)
    assert found["touch current"].value == pytest.approx(20e-6)


def test_questions_of_others_go_to_the_person(tmp_path: Path) -> None:
    path = tmp_path / "values.toml"
    path.write_text(FILE, encoding="utf-8")
    answers = FiledAnswers(load_safety_values(path), Typist({}, looked=False))
    assert not answers.answer(AskYesNo("line-up:case", "closed?")).done


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [('"0.12 Ω"', '"0.12 V"', 6), ("tester =", "testr =", 2), ('"200 MΩ"', '"-2 MΩ"', 7)],
)
def test_a_file_with_nonsense_names_the_line(tmp_path: Path, old: str, new: str, line: int) -> None:
    path = tmp_path / "values.toml"
    path.write_text(FILE.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_safety_values(path)
    if "testr" not in new:  # the key that is missing has no line
        assert caught.value.line == line
    assert str(path) in str(caught.value)


def test_every_question_is_in_words_and_units() -> None:
    assert all(q.text.endswith("?") and q.asked_unit for q in QUESTIONS.values())
