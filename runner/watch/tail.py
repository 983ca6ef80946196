"""Follows a file of lines that somebody else is writing: whole lines only, each once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

__all__ = ["Tail"]

CHUNK = 1 << 20


class Tail:
    """Reads what was added since the last look. A line that is no JSON object is passed over.

    ``kind`` is that of lines that do not say theirs; without it they are passed over.
    """

    def __init__(self, path: Path, kind: str | None = None) -> None:
        self._path, self._kind = path, kind
        self._offset = 0
        self._rest = b""
        self.behind = False
        """Whether the last look left something unread."""

    def new_lines(self) -> list[dict[str, Any]]:
        """Return the lines that came since the last call, at most a megabyte of them."""
        try:
            with self._path.open("rb") as file:
                file.seek(0, 2)
                if file.tell() < self._offset + len(self._rest):  # a torn line was cut off
                    self._rest = b""
                file.seek(self._offset + len(self._rest))
                added = file.read(CHUNK)
        except OSError:
            self.behind = False
            return []
        self.behind = len(added) == CHUNK
        data = self._rest + added
        whole, _, self._rest = data.rpartition(b"\n")
        if whole:
            self._offset += len(whole) + 1
        return [line for piece in whole.split(b"\n") if (line := self._parsed(piece)) is not None]

    def _parsed(self, piece: bytes) -> dict[str, Any] | None:
        try:
            line = json.loads(piece)
        except ValueError:
            return None
        if not isinstance(line, dict):
            return None
        kind = line.setdefault("kind", self._kind)
        return line if isinstance(kind, str) else None
