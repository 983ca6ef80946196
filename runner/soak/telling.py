"""Tells those outside: heartbeat file, hook command, the request for a safe end."""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from runner.clock import Clock
from runner.guard import Guard
from runner.record.writer import END_WANTED

__all__ = ["HEARTBEAT", "Teller", "last_words"]

HEARTBEAT = "heartbeat.json"
BEAT_EVERY_S = 1.0
HOOK_S = 30.0
HOOKS_MAX = 4
"""Notifiers that may run at the same time; further events wait for none and are left out."""


class Teller:
    """Implements :class:`runner.soak.watch.Watch` for one record folder.

    ``hook`` is a command with its own arguments; it gets two more, the word of the event and a
    sentence, and no shell sees them. What goes wrong here never stops the soak. ``alarm`` is a
    file whose being there is an alarm.
    """

    def __init__(
        self, folder: Path, clock: Clock, guard: Guard | None, hook: Sequence[str] = (),
        heartbeat: Path | None = None, alarm: Path | None = None,
    ) -> None:  # fmt: skip
        self._folder, self._clock, self._guard, self._hook = folder, clock, guard, tuple(hook)
        self._heartbeat, self._alarm = heartbeat or folder / HEARTBEAT, alarm
        self._due_s = float("-inf")
        self._running: list[tuple[subprocess.Popen[bytes], float]] = []
        self.troubles: list[str] = []

    def promise(self, seconds: float) -> None:
        """Pass on to the dead-man."""
        if self._guard is not None:
            self._guard.promise(seconds)

    def beat(self, said: dict[str, Any]) -> None:
        """Write the heartbeat file whole, at most once a second."""
        now_s = self._clock.mono_s()
        if now_s < self._due_s:
            return
        self._due_s = now_s + BEAT_EVERY_S
        partial = self._heartbeat.with_name(self._heartbeat.name + ".partial")
        try:
            text = json.dumps({"t_utc": self._clock.utc().isoformat(timespec="seconds"), **said})
            partial.write_text(text, encoding="utf-8")
            partial.replace(self._heartbeat)
        except OSError as error:
            self._note(f"the heartbeat file cannot be written ({error.strerror})")

    def event(self, what: str, text: str) -> None:
        """Run the hook command; nobody waits for it."""
        self.reap()
        if not self._hook:
            return
        if len(self._running) >= HOOKS_MAX:
            self._note("the hook command is too slow: an event was not told")
            return
        try:
            child = subprocess.Popen(
                [*self._hook, what, text],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            self._note(f"the hook command cannot be run ({error.strerror})")
            return
        self._running.append((child, self._clock.mono_s() + HOOK_S))

    def end_wanted(self) -> bool:
        """Whether the file that asks for a safe end has appeared."""
        return (self._folder / END_WANTED).exists()

    def alarmed(self) -> bool:
        """Whether the alarm's file is there."""
        return self._alarm is not None and self._alarm.exists()

    def reap(self) -> None:
        """Let go of finished hook commands, end those that hang."""
        left = []
        for child, until_s in self._running:
            if child.poll() is not None:
                continue
            if self._clock.mono_s() > until_s:
                child.kill()
                child.wait()
                continue
            left.append((child, until_s))
        self._running = left

    def _note(self, sentence: str) -> None:
        if sentence not in self.troubles:
            self.troubles.append(sentence)


def last_words(folder: Path, sentence: str) -> Path | None:
    """Write the sentence where another disk may still take it; returns where, None if nowhere."""
    place = Path(tempfile.gettempdir()) / f"asleft-{folder.name}-last-words.txt"
    try:
        place.write_text(sentence + "\n", encoding="utf-8")
    except OSError:
        return None
    return place
