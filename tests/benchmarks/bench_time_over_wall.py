"""How much bench time the demo simulates for each second that it takes, whole process."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

__all__ = ["measure"]


def measure() -> dict[str, float]:
    """Return ``bench_time_over_wall`` of ``asleft demo --json`` (record, findings and report)."""
    asleft = str(Path(sys.executable).with_name("asleft"))
    with tempfile.TemporaryDirectory() as out:
        start_s = time.perf_counter()
        done = subprocess.run(
            [asleft, "demo", "--json", "--out", out], capture_output=True, check=False
        )
        wall_s = time.perf_counter() - start_s
    result = json.loads(done.stdout)
    return {"bench_time_over_wall": result["summary"]["bench_time_s"] / wall_s}
