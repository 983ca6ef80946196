"""From point to point as a person wants it; what was taken back stays in the journal."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import pytest

from runner.checks.check import Workplace
from runner.checks.walk import SKIPPED, walk
from runner.clock import VirtualClock
from runner.errors import PersonWantsError
from runner.operator.requests import Answer, AskNumber, Request, TurnKnob
from runner.operator.wishes import wishes_of
from runner.reading import Reading
from runner.record.reader import open_record
from runner.record.standing import standing
from runner.record.writer import CheckWriter, RecordWriter


class Bench:
    """A workplace of which only the log is used."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.writer = RecordWriter(folder, VirtualClock())
        self.writer.header(simulated=True)
        self.log = CheckWriter(self.writer, "setting", lambda *_: None)

    def walked(self, *wishes: str | None) -> list[float]:
        """Walk 1, 2, 3 V; each visit reads one value more and may end with a wish."""
        said = iter(wishes)
        visits = 0

        def measure(_number: int, point: float) -> None:
            nonlocal visits
            visits += 1
            self.log.reading(Reading("v", 100.0 * visits + point, "V", "meter", "dc-volts"))
            wish = next(said, None)
            if wish is not None:
                raise PersonWantsError(wish)

        walk(cast(Workplace, self), [1.0, 2.0, 3.0], lambda v: f"{v:g} V", measure)
        data = self.data = self.writer.check_data("setting")
        self.writer.close()
        return [one.value for one in data.readings if one.value is not None]


def test_without_a_wish_every_point_is_done_once(tmp_path: Path) -> None:
    assert Bench(tmp_path / "r").walked() == [101.0, 202.0, 303.0]


def test_again_does_the_same_point_once_more(tmp_path: Path) -> None:
    assert Bench(tmp_path / "r").walked(None, "again") == [101.0, 302.0, 403.0]


def test_back_takes_the_last_point_back(tmp_path: Path) -> None:
    # What was typed at the first point is undone with it.
    assert Bench(tmp_path / "r").walked(None, "back") == [301.0, 402.0, 503.0]


def test_back_twice_and_at_the_first_point(tmp_path: Path) -> None:
    assert Bench(tmp_path / "r").walked("back", None, None, "back") == [201.0, 502.0, 603.0]


def test_a_skipped_point_is_said_and_not_counted(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "r")
    assert bench.walked(None, "skip") == [101.0, 303.0]
    assert [e["point"] for e in bench.data.events_of(SKIPPED)] == ["2 V"]


def test_the_record_reads_back_the_same_and_keeps_what_was_undone(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "r")
    kept = bench.walked(None, "back", "again")
    record = open_record(tmp_path / "r")
    assert [r.value for r in record.check("setting").readings] == kept
    assert len(list(record.of_kind("reading"))) == len(kept) + 3


def test_a_whole_check_can_be_undone() -> None:
    lines: list[dict[str, Any]] = [
        {"kind": "check-start"}, {"kind": "reading", "n": 1}, {"kind": "undone"},
        {"kind": "reading", "n": 2},
    ]  # fmt: skip
    assert standing(lines) == [lines[0], lines[3]]


class Saying:
    """Gives one answer to everything."""

    def __init__(self, answer: Answer) -> None:
        self.said = answer

    def answer(self, _request: Request) -> Answer:
        return self.said


def test_a_skipped_value_is_an_answer_a_skipped_turn_is_a_wish() -> None:
    person = wishes_of(Saying(Answer(done=False, skip=True)))
    assert person.answer(AskNumber("n", "How much?")).skip
    with pytest.raises(PersonWantsError, match="skip"):
        person.answer(TurnKnob("t", "Turn."))
