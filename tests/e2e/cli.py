"""Runs the real command line in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Called", "asleft"]

EXECUTABLE = Path(sys.executable).with_name("asleft")


@dataclass(frozen=True, slots=True)
class Called:
    """What a command returned and said."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The one JSON object on stdout."""
        return json.loads(self.out)


def asleft(*arguments: str | Path, cwd: Path | None = None, timeout_s: float = 240.0) -> Called:
    """Call ``asleft`` and wait for it."""
    done = subprocess.run(
        [str(EXECUTABLE), *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=timeout_s,
        check=False,
        env={**os.environ, "NO_COLOR": "1", "MPLBACKEND": "Agg"},
    )
    return Called(done.returncode, done.stdout, done.stderr)
