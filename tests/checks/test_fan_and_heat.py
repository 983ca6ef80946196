"""What a person noticed of fan and heat goes into the record; nobody is asked who is not there."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from runner.checks.drift import ask_what_was_noticed
from runner.operator.requests import Answer, AskWords, Request


def _kept(
    words: str, *, attended: bool = True, done: bool = True
) -> tuple[list[Request], list[str]]:
    """What was asked, and the notes for the report."""
    asked: list[Request] = []
    notes: list[str] = []

    def answer(request: Request) -> Answer:
        asked.append(request)
        return Answer(done=done, words=words)

    work: Any = SimpleNamespace(
        attended=attended, operator=SimpleNamespace(answer=answer),
        log=SimpleNamespace(note=notes.append, event=lambda *_a, **_k: None),
    )  # fmt: skip
    ask_what_was_noticed(work)
    return asked, notes


def test_a_line_of_words_stands_in_the_report() -> None:
    asked, notes = _kept(" fan rough from 45 °C ")
    assert isinstance(asked[0], AskWords)
    assert len(notes) == 1 and notes[0].endswith("load: fan rough from 45 °C")


@pytest.mark.parametrize("words", ["", "  "])
def test_nothing_noticed_is_no_note(words: str) -> None:
    assert _kept(words)[1] == []


def test_an_end_of_input_is_no_note() -> None:
    assert _kept("nobody answered", done=False)[1] == []


def test_nobody_there_is_not_asked() -> None:
    assert _kept("never said", attended=False) == ([], [])
