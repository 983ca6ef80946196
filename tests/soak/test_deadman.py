"""The dead-man's own order of acting, with a load that resists."""

from __future__ import annotations

import os
from typing import Any

from runner.clock import VirtualClock
from runner.deadman import TRIES_FOR_S, act


class _Load:
    def __init__(self, answers: list[bool | Exception]) -> None:
        self.answers, self.tries = answers, 0

    def __call__(self) -> bool:
        answer = self.answers[min(self.tries, len(self.answers) - 1)]
        self.tries += 1
        if isinstance(answer, Exception):
            raise answer
        return answer


def _act(answers: list[bool | Exception], why: str = "told to stop") -> tuple[bool, list[str]]:
    said: list[str] = []

    def write(what: str, **_fields: Any) -> None:
        said.append(what)

    done = act(why, os.getpid() + 10**6, _Load(answers), write, VirtualClock())
    return done, said


def test_it_tries_again_with_a_new_session_until_it_reads_off() -> None:
    done, said = _act([ConnectionRefusedError("refused"), False, True])
    assert done is True
    assert said == ["acting", "load not off", "load not off", "load off, read back off"]


def test_it_gives_up_loudly_and_not_before_a_quarter_of_an_hour() -> None:
    done, said = _act([TimeoutError("nothing")])
    assert done is False
    assert said[-1] == "GIVEN UP"
    assert said.count("load not off") > TRIES_FOR_S / 10


def test_a_process_that_is_not_its_parent_is_never_killed() -> None:
    done, said = _act([True], why="silence")
    assert done is True
    assert "runner killed" not in said
