"""A person who rehearses: is asked as at a real bench, and a simulated hand does what he says.

What can be seen only at the unit is told beside the question, since there is no unit to look at.
"""

from __future__ import annotations

from dataclasses import replace

from runner.operator.requests import Answer, AskNumber, AskWords, Operator, Request, Watcher

__all__ = ["rehearsal"]


class _Rehearsal:
    """Asks the person; what he says is done is done by the hand."""

    def __init__(self, person: Operator, hand: Operator) -> None:
        self._person, self._hand = person, hand

    def answer(self, request: Request) -> Answer:
        """Put the request to the person; the hand acts on a yes.

        A value is looked up by the hand first, so that the person can read it off.
        """
        if isinstance(request, AskNumber | AskWords):
            return self._person.answer(replace(request, text=self._told(request)))
        said = self._person.answer(request)
        if not said.done:
            return said
        acted = self._hand.answer(request)
        return replace(said, value=acted.value) if acted.done else acted

    def _told(self, request: AskNumber | AskWords) -> str:
        seen = self._hand.answer(request)
        if isinstance(request, AskNumber) and seen.value is not None:
            return f"{request.text} [simulated: it shows {seen.value:.5g} {request.unit}]"
        return f"{request.text} [simulated: {seen.words}]" if seen.words else request.text


class _WatchingRehearsal(_Rehearsal):
    """The same for a person who can be shown a live value."""

    def __init__(self, person: Operator, watcher: Watcher, hand: Operator) -> None:
        super().__init__(person, hand)
        self._watcher = watcher

    def watch(self, shown: str) -> Answer | None:
        """Show a live value."""
        return self._watcher.watch(shown)

    def heard(self) -> None:
        """Give the sign that something was accepted."""
        self._watcher.heard()


def rehearsal(person: Operator, hand: Operator) -> Operator:
    """Return an operator that asks ``person`` and lets ``hand`` do what he says he did."""
    if isinstance(person, Watcher):
        return _WatchingRehearsal(person, person, hand)
    return _Rehearsal(person, hand)
