"""What the person at the bench is asked, also on the live page: the operator's screen.

The page only shows; the answer is given where the program was started.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from runner.clock import Clock
from runner.operator.requests import Answer, Operator, Request, TurnKnob, Watcher

__all__ = ["SCREEN", "shown_on_page"]

SCREEN = "screen.json"
SHOW_EVERY_S = 0.2


class _Shown:
    """Puts each request and each live value into a file that the page's server reads."""

    def __init__(
        self, operator: Operator, watcher: Watcher, clock: Clock, folder: Callable[[], Path | None]
    ) -> None:
        self._operator, self._watcher, self._clock = operator, watcher, clock
        self._folder = folder
        self._asked = ""
        self._due_s = float("-inf")

    def answer(self, request: Request) -> Answer:
        """Show the request until it is answered; a knob's until it was seen to rest."""
        self._asked = request.text
        self._show("")
        answer = self._operator.answer(request)
        if not isinstance(request, TurnKnob):
            self._clear()
        return answer

    def watch(self, shown: str) -> Answer | None:
        """Show a live value, a few times a second at most."""
        now_s = self._clock.mono_s()
        if now_s >= self._due_s:
            self._due_s = now_s + SHOW_EVERY_S
            self._show(shown)
        return self._watcher.watch(shown)

    def heard(self) -> None:
        """It was accepted: nothing is asked any more."""
        self._clear()
        self._watcher.heard()

    def _clear(self) -> None:
        self._asked = ""
        self._show("")

    def _show(self, live: str) -> None:
        folder = self._folder()
        if folder is None:
            return
        partial = folder / f"{SCREEN}.partial"
        with suppress(OSError):  # a screen that cannot be written stops no measurement
            partial.write_text(json.dumps({"asked": self._asked, "live": live}), encoding="utf-8")
            partial.replace(folder / SCREEN)


def shown_on_page(operator: Operator, clock: Clock, folder: Callable[[], Path | None]) -> Operator:
    """Return an operator that asks as before and lets the page show what is asked.

    ``folder`` tells the record's folder, None while there is none. An operator that cannot be
    shown a live value is a script or a simulated hand, which needs no screen.
    """
    if not isinstance(operator, Watcher):
        return operator
    return _Shown(operator, operator, clock, folder)
