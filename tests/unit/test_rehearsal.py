"""A person who is asked on a simulated bench, and the hand that does what he says he did."""

from __future__ import annotations

from dataclasses import dataclass, field

from runner.operator.rehearsal import rehearsal
from runner.operator.requests import (
    Answer,
    AskNumber,
    AskWords,
    Request,
    SwitchUnit,
    TurnKnob,
    Watcher,
)


@dataclass
class _Said:
    """Answers in turn, and keeps what was asked."""

    answers: list[Answer]
    asked: list[Request] = field(default_factory=list)

    def answer(self, request: Request) -> Answer:
        self.asked.append(request)
        return self.answers.pop(0)


class _Watching(_Said):
    def watch(self, shown: str) -> Answer | None:
        return Answer(done=False, words=shown, back=True)

    def heard(self) -> None:
        self.asked.append(Request("heard", ""))


def test_the_hand_does_what_the_person_says_he_did() -> None:
    person, hand = _Said([Answer(done=True)]), _Said([Answer(done=True)])
    turn = TurnKnob("turn", "Turn to 5 V.", 5.0)
    assert rehearsal(person, hand).answer(turn).done
    assert hand.asked == [turn] == person.asked


def test_what_the_person_will_not_do_is_not_done() -> None:
    person, hand = _Said([Answer(done=False, words="skip", skip=True)]), _Said([])
    assert rehearsal(person, hand).answer(SwitchUnit("s", "Switch on.")).skip
    assert not hand.asked


def test_what_the_hand_cannot_do_comes_back() -> None:
    person = _Said([Answer(done=True)])
    hand = _Said([Answer(done=False, words="no such lead")])
    assert not rehearsal(person, hand).answer(SwitchUnit("s", "Switch on.")).done


def test_what_is_shown_is_told_and_the_typed_value_counts() -> None:
    person = _Said([Answer(done=True, value=4.9), Answer(done=True, words="warm")])
    hand = _Said([Answer(done=True, value=5.02), Answer(done=True, words="a smell")])
    both = rehearsal(person, hand)
    assert both.answer(AskNumber("panel", "What does it show?", unit="V")).value == 4.9
    assert both.answer(AskWords("heat", "What did you notice?")).words == "warm"
    assert "it shows 5.02 V" in person.asked[0].text
    assert "a smell" in person.asked[1].text


def test_a_person_who_can_watch_still_can() -> None:
    watching = rehearsal(_Watching([]), _Said([]))
    assert isinstance(watching, Watcher)
    said = watching.watch("now 5 V")
    assert said is not None and said.back
    assert not isinstance(rehearsal(_Said([]), _Said([])), Watcher)
