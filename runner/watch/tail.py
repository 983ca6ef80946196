"""Follows a journal that somebody else is writing: whole lines only, each once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from runner.record.journal import JOURNAL_NAME

__all__ = ["Tail"]

CHUNK = 1 << 20


class Tail:
    """Reads what was added since the last look. A line that is no JSON object is passed over."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL_NAME
        self._offset = 0
        self._rest = b""

    def new_lines(self) -> list[dict[str, Any]]:
        """Return the lines that came since the last call, at most a megabyte of them."""
        try:
            with self._path.open("rb") as file:
                file.seek(0, 2)
                if file.tell() < self._offset + len(self._rest):  # a torn line was cut off
                    self._rest = b""
                file.seek(self._offset + len(self._rest))
                data = self._rest + file.read(CHUNK)
        except OSError:
            return []
        whole, _, self._rest = data.rpartition(b"\n")
        if whole:
            self._offset += len(whole) + 1
        return [line for piece in whole.split(b"\n") if (line := _parsed(piece)) is not None]


def _parsed(piece: bytes) -> dict[str, Any] | None:
    try:
        line = json.loads(piece)
    except ValueError:
        return None
    return line if isinstance(line, dict) and isinstance(line.get("kind"), str) else None
