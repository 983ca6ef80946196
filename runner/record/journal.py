"""The journal: append-only, hash-chained JSON lines, on disk before the work goes on.

Every line carries ``seq``, ``t_utc``, ``t_mono_s``, ``kind``, its own fields, and ``prev``, the
SHA-256 of the bytes of the line before it (without line end). A line is never changed.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import io
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from runner.clock import Clock
from runner.errors import RecordError

__all__ = [
    "FIRST_PREV",
    "JOURNAL_NAME",
    "ROW_KIND",
    "Files",
    "Journal",
    "encode_line",
    "keep_name",
    "line_hash",
]

JOURNAL_NAME = "journal.jsonl"
FIRST_PREV = "0" * 64
ROW_KIND = "s"
"""A row of a soak: ``v`` holds the values in the order of the last ``columns`` line, null where
nothing was read; ``why`` names the reason by column number. Its time is that of the line."""


class Files(Protocol):
    """The four calls by which the journal reaches the disk; a test may let them fail."""

    def write(self, handle: io.FileIO, data: bytes) -> int:
        """Write some or all of the bytes and return how many."""
        ...

    def fsync(self, handle: io.FileIO) -> None:
        """Force what was written onto the disk."""
        ...


class DiskFiles:
    """The real thing."""

    def write(self, handle: io.FileIO, data: bytes) -> int:
        """Write bytes."""
        return handle.write(data) or 0

    def fsync(self, handle: io.FileIO) -> None:
        """Flush to the disk."""
        os.fsync(handle.fileno())


def encode_line(fields: Mapping[str, Any]) -> bytes:
    """Return the line's bytes without line end; NaN and infinity are refused.

    :raises ValueError: a value is not finite or not plain data
    """
    return json.dumps(fields, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def line_hash(line: bytes) -> str:
    """SHA-256 of a line, in hex."""
    return hashlib.sha256(line).hexdigest()


def keep_name(folder: Path) -> None:
    """Put a new file's and its folder's names on the disk too, where the system lets it."""
    for place in (folder, folder.parent):
        with contextlib.suppress(OSError):
            handle = os.open(place, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


class Journal:
    """One writer on one record folder.

    Each line is on disk before ``write`` returns, but for the rows of a soak (kind ``s``), which
    may wait ``flush_every_s`` for the next. The folder is locked against a second writer.
    ``resume_after`` is the (sequence number to go on with, hash, length in bytes) of a journal
    to be continued; what lies beyond that length is a torn line and is cut off.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        *,
        files: Files | None = None,
        flush_every_s: float = 0.0,
        resume_after: tuple[int, str, int] | None = None,
    ) -> None:
        self.folder = folder
        self.path = folder / JOURNAL_NAME
        self._clock = clock
        self._files = files or DiskFiles()
        self._flush_every_s = flush_every_s
        self._flushed_s = clock.mono_s()
        self._seq, self._prev, length = resume_after or (0, FIRST_PREV, 0)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            mode = "ab" if resume_after else "xb"
            self._handle = io.FileIO(self.path, mode)
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if resume_after:
                self._handle.truncate(length)
        except FileExistsError:
            raise RecordError(
                f"{self.path} exists already; a record is never written over"
            ) from None
        except BlockingIOError:
            self._handle.close()
            raise RecordError(f"{self.path} is being written by another run") from None
        except OSError as error:
            raise RecordError(f"the record folder {folder} cannot be written ({error})") from None
        keep_name(folder)

    @property
    def last_hash(self) -> str:
        """Hash of the newest line."""
        return self._prev

    def write(self, kind: str, **fields: Any) -> int:
        """Append one line and return its sequence number.

        :raises RecordError: the disk refused it; earlier lines are intact
        """
        self.write_all(kind, [fields])
        return self._seq - 1

    def write_all(self, kind: str, each: Sequence[Mapping[str, Any]]) -> None:
        """Append a line for each of several sets of fields; they go to the disk in one go.

        :raises RecordError: the disk refused them: none is there; earlier lines are intact
        """
        seq, prev, data = self._seq, self._prev, b""
        for fields in each:
            line = encode_line(
                {
                    "seq": seq,
                    "t_utc": self._clock.utc().isoformat(timespec="milliseconds"),
                    "t_mono_s": round(self._clock.mono_s(), 6),
                    "kind": kind,
                    **fields,
                    "prev": prev,
                }
            )
            seq, prev, data = seq + 1, line_hash(line), data + line + b"\n"
        if data:
            self._append(data, may_wait=kind == ROW_KIND)
        self._seq, self._prev = seq, prev

    def _append(self, data: bytes, *, may_wait: bool) -> None:
        if self._handle.closed:
            raise RecordError("the journal cannot be written (it is closed)")
        start = self._handle.tell()
        try:
            while data:
                written = self._files.write(self._handle, data)
                if written <= 0:
                    raise OSError(errno.EIO, "nothing was written")
                data = data[written:]
            now_s = self._clock.mono_s()
            if not may_wait or now_s - self._flushed_s >= self._flush_every_s:
                self._files.fsync(self._handle)
                self._flushed_s = now_s
        except OSError as error:
            self._take_back(start)
            raise RecordError(
                f"the journal cannot be written ({error.strerror or error})"
            ) from None

    def _take_back(self, start: int) -> None:
        """Cut a half-written line off, so that what stays is whole."""
        try:
            self._handle.truncate(start)
            self._handle.seek(start)
        except OSError:
            return

    def close(self) -> None:
        """Flush and close; may be called twice."""
        if self._handle.closed:
            return
        try:
            self._files.fsync(self._handle)
        except OSError as error:
            raise RecordError(f"the journal cannot be flushed ({error.strerror})") from None
        finally:
            self._handle.close()
