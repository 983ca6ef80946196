"""Which code made a record: one hash over the program's own files."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

__all__ = ["code_hash"]


@cache
def code_hash() -> str:
    """SHA-256, in hex, over names and contents of all code and dialect files, in order."""
    root = Path(__file__).parent.parent
    total = hashlib.sha256()
    for path in sorted(p for p in root.rglob("*") if p.suffix in {".py", ".toml"}):
        total.update(str(path.relative_to(root)).encode())
        total.update(path.read_bytes())
    return total.hexdigest()
