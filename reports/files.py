"""Writes a file whole or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from runner.errors import RecordError

__all__ = ["write_whole"]


def write_whole(path: Path, data: bytes | Iterable[bytes]) -> None:
    """Write a file, in one piece or piece by piece, under a passing name and move it into place.

    :raises RecordError: the disk refused it
    """
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as file:
            for piece in [data] if isinstance(data, bytes) else data:
                file.write(piece)
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise RecordError(f"{path} cannot be written ({error.strerror or error})") from None
