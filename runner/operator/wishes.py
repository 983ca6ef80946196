"""Turns what a person wants at a prompt (back, again, skip) into an exception for the walk."""

from __future__ import annotations

from runner.errors import PersonWantsError
from runner.operator.requests import Answer, AskNumber, Operator, Request, Watcher

__all__ = ["Wishes", "wishes_of"]


class Wishes:
    """An operator whose wishes are raised; a value that is skipped is still an answer."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def answer(self, request: Request) -> Answer:
        """Put the request.

        :raises PersonWantsError: the person wants to go back, do the point again, or skip it
        """
        answer = self._operator.answer(request)
        _raise(answer, skip=not isinstance(request, AskNumber))
        return answer


class _WatchingWishes(Wishes):
    """The same for an operator that can be shown a live value."""

    def __init__(self, operator: Operator, watcher: Watcher) -> None:
        super().__init__(operator)
        self._watcher = watcher

    def watch(self, shown: str) -> Answer | None:
        """Show a live value.

        :raises PersonWantsError: as above
        """
        answer = self._watcher.watch(shown)
        if answer is not None:
            _raise(answer, skip=True)
        return answer

    def heard(self) -> None:
        """Give the sign that something was accepted."""
        self._watcher.heard()


def wishes_of(operator: Operator) -> Operator:
    """Return the operator with its wishes raised; one that can watch still can."""
    if isinstance(operator, Watcher):
        return _WatchingWishes(operator, operator)
    return Wishes(operator)


def _raise(answer: Answer, *, skip: bool) -> None:
    if answer.back or answer.again or (skip and answer.skip):
        raise PersonWantsError("back" if answer.back else "again" if answer.again else "skip")
