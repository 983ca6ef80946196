"""One program at a time at one instrument: a lock file per resource, gone with its process."""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from pathlib import Path
from typing import IO

from runner.errors import ConnectError

__all__ = ["ResourceLock"]


class ResourceLock:
    """Held from construction until :meth:`release`; the system frees it when the process ends.

    :raises ConnectError: another program, or another session of this one, holds it
    """

    def __init__(self, resource: str, name: str) -> None:
        digest = hashlib.sha256(resource.upper().encode()).hexdigest()[:20]
        self.path = Path(tempfile.gettempdir()) / f"asleft-{digest}.lock"
        self._file: IO[str] | None = self.path.open("a+", encoding="utf-8")
        try:
            _lock(self._file)
        except OSError:
            self._file.seek(0)
            owner = self._file.read().strip() or "an unknown process"
            self._file.close()
            self._file = None
            raise ConnectError(
                f"{name}: {resource} is in use by another run ({owner}); end that one first"
            ) from None
        self._file.seek(0)
        self._file.truncate()
        self._file.write(f"process {os.getpid()}")
        self._file.flush()

    def release(self) -> None:
        """Give the resource back; may be called twice. The file stays, empty of meaning."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _lock(file: IO[str]) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
