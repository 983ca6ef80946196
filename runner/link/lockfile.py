"""One program at a time at one instrument: a lock file per resource, gone with its process."""

from __future__ import annotations

import contextlib
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
        self._file: IO[str] | None = None
        while self._file is None:
            self._file = self._claim(resource, name)
        self._file.seek(0)
        self._file.truncate()
        self._file.write(f"process {os.getpid()}")
        self._file.flush()

    def _claim(self, resource: str, name: str) -> IO[str] | None:
        """The locked file; None when it was removed by its last owner before it was locked."""
        try:
            file = self.path.open("a+", encoding="utf-8")
        except OSError as error:
            raise ConnectError(
                f"{name}: {self.path} cannot be opened ({error.strerror}); if no other user drives"
                f" {resource}, remove that file"
            ) from None
        try:
            _lock(file)
        except OSError:
            file.seek(0)
            owner = file.read().strip() or "an unknown process"
            file.close()
            raise ConnectError(
                f"{name}: {resource} is in use by another run ({owner}); end that one first"
            ) from None
        if _is_at(file, self.path):
            return file
        file.close()
        return None

    def release(self) -> None:
        """Give the resource back and remove the file; may be called twice.

        It is removed while it is still held, so that nobody else's file is ever removed.
        """
        if self._file is None:
            return
        with contextlib.suppress(OSError):  # Windows removes no open file; then it stays
            self.path.unlink()
        self._file.close()
        self._file = None


def _is_at(file: IO[str], path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False


def _lock(file: IO[str]) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
