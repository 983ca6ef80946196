"""Writes a file whole or not at all."""

from __future__ import annotations

from pathlib import Path

from runner.errors import RecordError

__all__ = ["write_whole"]


def write_whole(path: Path, data: bytes) -> None:
    """Write a file under a passing name beside it and move it into place.

    :raises RecordError: the disk refused it
    """
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_bytes(data)
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise RecordError(f"{path} cannot be written ({error.strerror or error})") from None
