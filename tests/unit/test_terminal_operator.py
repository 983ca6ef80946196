"""The person at the terminal, with typed input that is no terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from click.testing import CliRunner

from runner.operator.requests import (
    Answer,
    AskNumber,
    AskWords,
    AskYesNo,
    Confirm,
    Request,
    TurnKnob,
)
from runner.operator.terminal import TerminalOperator

PANEL = AskNumber("p", "What does it show?", unit="V", low=-1.0, high=60.0, expect=12.0, slip=0.7)


def _answer(typed: str, request: Request) -> tuple[Answer, str]:
    """What comes back for these lines, and all that was shown."""
    import click

    answers: list[Answer] = []

    @click.command()
    def ask() -> None:
        answers.append(TerminalOperator().answer(request))

    shown = CliRunner().invoke(ask, input=typed)
    assert shown.exception is None, shown.output
    return answers[0], shown.output


@pytest.mark.parametrize(
    ("typed", "value"),
    [("12.01\n", 12.01), ("12,01\n", 12.01), ("12.01 V\n", 12.01), ("11900 mV\n", 11.9)],
)
def test_numbers_as_people_type_them(typed: str, value: float) -> None:
    answer, _ = _answer(typed, PANEL)
    assert answer.done and answer.value == pytest.approx(value)


def test_a_slip_of_the_finger_is_asked_again() -> None:
    # Practice: an entry more than 5 % off is taken for a typing error and asked for again.
    answer, shown = _answer("1.201\n12.01\n", PANEL)
    assert answer.value == 12.01 and "far from 12" in shown


def test_what_is_typed_twice_is_believed() -> None:
    answer, _ = _answer("15.2\n15.2\n", PANEL)
    assert answer.value == 15.2


def test_the_impossible_is_not_taken_however_often_it_is_typed() -> None:
    answer, shown = _answer("1201\n1201\n12.01\n", PANEL)
    assert answer.value == 12.01 and "expected -1 to 60 V" in shown


def test_nonsense_is_explained_and_asked_again() -> None:
    answer, shown = _answer("twelve\n12\n", PANEL)
    assert answer.value == 12.0 and "expected a number" in shown


@pytest.mark.parametrize(
    ("typed", "wish"),
    [("b", "back"), ("undo", "back"), ("a", "again"), ("R", "again"), ("s", "skip")],
)
@pytest.mark.parametrize("request_", [PANEL, TurnKnob("t", "Turn to 12 V.")])
def test_back_again_and_skip_at_every_prompt(typed: str, wish: str, request_: Request) -> None:
    answer, shown = _answer(f"{typed}\n", request_)
    assert not answer.done and getattr(answer, wish)
    assert "undo the last point" in shown


def test_enter_means_done_and_other_words_do_not() -> None:
    answer, shown = _answer("what\n\n", TurnKnob("t", "Turn to 12 V."))
    assert answer.done and "'what' is not known" in shown


def test_a_sweep_needs_no_word() -> None:
    answer, shown = _answer("", TurnKnob("t", "Turn slowly.", sweep=True))
    assert answer.done and "bell" in shown


def test_yes_and_no_must_be_typed() -> None:
    answer, _ = _answer("\nmaybe\ny\n", AskYesNo("q", "Is it so?"))
    assert answer.done
    answer, _ = _answer("n\n", AskYesNo("q", "Is it so?", expected=False))
    assert answer.done


def test_a_hazard_is_only_confirmed_with_a_reason() -> None:
    answer, _ = _answer("y\n\nmy own bench\n", Confirm("h", "It is hot.", code="X"))
    assert answer.done and answer.words == "my own bench"


def test_words_are_taken_as_they_are_typed() -> None:
    answer, _ = _answer("fan rough at 40 °C\n", AskWords("fan", "What did you notice?"))
    assert answer.done and answer.words == "fan rough at 40 °C"
    answer, _ = _answer("\n", AskWords("fan", "What did you notice?"))
    assert answer.done and not answer.words


def test_long_questions_break_between_words() -> None:
    _, shown = _answer("y\n", AskYesNo("q", " ".join(["screwdriver"] * 30)))
    lines = shown.splitlines()
    assert max(map(len, lines)) <= 96
    words = " ".join(lines).replace("\a", "").split()
    assert set(words) == {"screwdriver", "y", "or", "n:"}


def test_nobody_there() -> None:
    answer, _ = _answer("", PANEL)
    assert not answer.done and answer.words == "nobody answered"


def test_a_live_value_has_the_terminal_to_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []

    @contextmanager
    def paused() -> Iterator[None]:
        drawn.append("bar away")
        yield
        drawn.append("bar back")

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setattr("select.select", lambda *_: ([], [], []))
    person = TerminalOperator(paused)
    assert person.watch("now 4.9 V") is None and person.watch("now 5.0 V") is None
    assert drawn == ["bar away"]
    person.heard()
    assert drawn == ["bar away", "bar back"]
