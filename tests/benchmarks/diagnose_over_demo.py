"""``asleft diagnose`` on the record of a demo against the demo that made it, whole processes."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

__all__ = ["measure"]


def _time_s(*arguments: str) -> float:
    asleft = str(Path(sys.executable).with_name("asleft"))
    start_s = time.perf_counter()
    subprocess.run([asleft, *arguments], check=False, capture_output=True)
    return time.perf_counter() - start_s


def measure() -> dict[str, float]:
    """Return ``diagnose_over_demo``; the demo has a dried reservoir, so much is to be explained."""
    with tempfile.TemporaryDirectory() as out:
        demo_s = _time_s("demo", "--fault", "reservoir-dried", "--no-report", "--out", out)
        record = next(Path(out).iterdir())
        return {"diagnose_over_demo": _time_s("diagnose", str(record), "--json") / demo_s}
