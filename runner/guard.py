"""The runner's side of the dead-man: starts it, feeds it, notices when it is gone."""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
from pathlib import Path
from typing import IO, Any

from runner.clock import Clock, SystemClock
from runner.errors import BenchError

__all__ = ["FEED_S", "Guard", "GuardSetup"]

FEED_S = 0.2
START_S = 60.0
GuardSetup = dict[str, Any]
"""What the dead-man is told; see :func:`runner.deadman.main`."""


class Guard:
    """A running dead-man.

    A thread feeds it as long as the last promise of the main loop stands. A promise that is not
    renewed in time is silence: the dead-man cannot tell a hung loop from a dead process, and
    need not.

    :raises BenchError: it cannot be started, or cannot know the load
    """

    def __init__(self, setup: GuardSetup, clock: Clock | None = None) -> None:
        self._clock = clock or SystemClock()
        self._lock = threading.Lock()
        self._until_s = self._clock.mono_s() + START_S
        self._over = threading.Event()
        self._lost = ""
        self._child = subprocess.Popen(
            [sys.executable, "-m", "runner.deadman"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True,
            cwd=Path(__file__).parent.parent,
        )  # fmt: skip
        try:
            self._pipe.write(json.dumps({**setup, "runner_pid": os.getpid()}).encode() + b"\n")
            self._pipe.flush()
            self._ready()
        except (OSError, BenchError) as error:
            self._child.kill()
            self._child.wait()
            self._close_pipes()
            raise BenchError(f"the dead-man cannot be started ({error})") from None
        self._thread = threading.Thread(target=self._feed, daemon=True, name="feeds the dead-man")
        self._thread.start()

    @property
    def pid(self) -> int:
        """Process id, for the record."""
        return self._child.pid

    @property
    def _pipe(self) -> IO[bytes]:
        if self._child.stdin is None:
            raise OSError("no pipe")
        return self._child.stdin

    def _ready(self) -> None:
        out = self._child.stdout
        if out is None or not select.select([out], [], [], START_S)[0]:
            raise BenchError("it does not say that it is ready")
        said = out.readline().decode("utf-8", "replace").strip()
        if said != "ready":
            raise BenchError(said or "it ended at once")

    def promise(self, seconds: float) -> None:
        """Renew the promise.

        :raises BenchError: the dead-man is gone: nobody would put the load off in time
        """
        with self._lock:
            self._until_s = self._clock.mono_s() + seconds
        if self._child.poll() is not None or self._lost:
            raise BenchError(
                f"the dead-man is gone ({self._lost or f'ended with {self._child.returncode}'});"
                " nobody would put the load off if this program died"
            )

    def release(self, *, safe: bool) -> None:
        """End it; ``safe`` False lets it put the load off first. May be called twice."""
        if self._over.is_set():
            return
        self._over.set()
        self._thread.join(timeout=5.0)
        with contextlib.suppress(OSError, ValueError):
            if safe:
                self._pipe.write(b"q")
                self._pipe.flush()
        with contextlib.suppress(OSError):
            self._pipe.close()
        if safe:
            try:
                self._child.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()
        self._close_pipes()

    def _close_pipes(self) -> None:
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()

    def _feed(self) -> None:
        while not self._over.wait(FEED_S):
            with self._lock:
                fed = self._clock.mono_s() < self._until_s
            if not fed:
                continue
            try:
                self._pipe.write(b".")
                self._pipe.flush()
            except (OSError, ValueError) as error:
                self._lost = f"its pipe is closed: {error}"
                return
