"""``asleft --help`` against importing click alone, whole processes, in turn."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

__all__ = ["measure"]


def _time_s(command: list[str]) -> float:
    start_s = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start_s


def measure(rounds: int = 9) -> dict[str, float]:
    """Return ``help_over_click``, the median of the ratios pair by pair."""
    asleft = str(Path(sys.executable).with_name("asleft"))
    ratios = []
    for _ in range(rounds):
        click_s = _time_s([sys.executable, "-c", "import click"])
        ratios.append(_time_s([asleft, "--help"]) / click_s)
    return {"help_over_click": statistics.median(ratios)}
