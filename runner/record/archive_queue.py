"""Records that could not be sent to the archive, kept until it answers again.

One text file beside the user's data, one record folder a line. The records themselves hold
everything, so that only their places need to be remembered.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from runner.errors import RecordError
from runner.record.archive import ArchiveUnreachableError

__all__ = ["default_queue", "put_off", "send_waiting", "waiting"]


def default_queue() -> Path:
    """Where the list lies unless said otherwise."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "asleft" / "not-yet-archived.txt"


@contextmanager
def _locked(queue: Path) -> Iterator[None]:
    queue.parent.mkdir(parents=True, exist_ok=True)
    with queue.with_suffix(".lock").open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def waiting(queue: Path) -> list[Path]:
    """Record folders that wait, oldest first."""
    if not queue.exists():
        return []
    lines = queue.read_text(encoding="utf-8").splitlines()
    return [Path(line) for line in dict.fromkeys(lines) if line]


def put_off(queue: Path, folder: Path) -> None:
    """Remember a record for later.

    :raises RecordError: its path cannot stand in a list of lines
    """
    text = str(folder.resolve())
    if "\n" in text or "\r" in text:
        raise RecordError(f"a folder whose name has a line end cannot be put off: {text!r}")
    with _locked(queue):
        folders = [*map(str, waiting(queue)), text]
        _write(queue, folders)


def _write(queue: Path, folders: list[str]) -> None:
    partial = queue.with_suffix(".partial")
    partial.write_text("".join(f"{folder}\n" for folder in folders), encoding="utf-8")
    partial.replace(queue)


def send_waiting(queue: Path, add: Callable[[Path], None]) -> tuple[int, list[tuple[Path, str]]]:
    """Send what waits; return how many went, and those that never can with the reason.

    Stops at the first that finds the archive unreachable and keeps it and the rest.
    """
    with _locked(queue):
        folders, sent, refused = waiting(queue), 0, []
        while folders:
            try:
                add(folders[0])
                sent += 1
            except ArchiveUnreachableError:
                break
            except RecordError as error:
                refused.append((folders[0], str(error)))
            folders.pop(0)
        _write(queue, list(map(str, folders)))
    return sent, refused
