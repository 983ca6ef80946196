"""Keeps the computer from sleeping through the night, where the system offers it."""

from __future__ import annotations

import shutil
import subprocess

__all__ = ["Awake"]


class Awake:
    """Asks the system not to sleep, from construction to :meth:`release`.

    ``how`` is a sentence for the record. The request ends with this process, whatever happens.
    """

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None
        self.how = "this system offers no way to keep it awake: switch its sleep off by hand"
        inhibit = shutil.which("systemd-inhibit")
        cat = shutil.which("cat")
        if inhibit is None or cat is None:
            return
        try:
            self._child = subprocess.Popen(
                [inhibit, "--what=sleep:idle", "--who=asleft", "--why=a soak is running", cat],
                stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                start_new_session=True,
            )  # fmt: skip
        except OSError:
            return
        try:
            self._child.wait(timeout=0.3)
        except subprocess.TimeoutExpired:
            self.how = "the system was asked not to sleep"
        else:
            self._let_go()

    def release(self) -> None:
        """Let the computer sleep again; may be called twice."""
        self._let_go()

    def _let_go(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        if child.stdin is not None:
            child.stdin.close()
        try:
            child.wait(timeout=2.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
