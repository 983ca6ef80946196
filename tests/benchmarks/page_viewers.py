"""Fifty viewers of the live page against none: does the run's sampling suffer?

The same short soak in real time, in turns without and with viewers. ``interval_p95_ratio``: the
95 % point of the time between rows; ``interval_sd_ratio``: its standard deviation (both with over
without). Other work on the computer disturbs the second much.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from runner.clock import SystemClock
from runner.record.reader import open_record
from runner.soak.watch import Alone
from runner.watch.process import serve_beside
from tests.soak.light_bench import LightBench, light_plan, soak_on

__all__ = ["measure"]

VIEWERS = 50
ROOT = Path(__file__).parent.parent.parent


class _Viewed(Alone):
    """Begins the viewing once the record is there."""

    def __init__(self, folder: Path, viewers: int) -> None:
        self.folder, self.viewers = folder, viewers
        self.seen = 0

    def __enter__(self) -> _Viewed:
        if self.viewers:
            self.folder.mkdir()
            address, self._end = serve_beside(self.folder)
            self._child = subprocess.Popen(
                [sys.executable, "-m", "tests.benchmarks.page_viewers", address, str(self.viewers)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
            )  # fmt: skip
            assert self._child.stdout is not None
            self._child.stdout.readline()
        return self

    def __exit__(self, *_: object) -> None:
        if self.viewers:
            out, _ = self._child.communicate(b"\n", timeout=20.0)
            self.seen = json.loads(out)
            self._end()


def _intervals(folder: Path, viewers: int, for_s: float) -> tuple[list[float], int]:
    bench = LightBench(clock=SystemClock())  # type: ignore[arg-type]
    with _Viewed(folder, viewers) as viewed:
        soak_on(bench, folder, light_plan(for_s, 0.1, ("hold",)), watch=viewed)
    times = [line["t_mono_s"] for line in open_record(folder).of_kind("s")]
    return [b - a for a, b in itertools.pairwise(times)], viewed.seen


def measure(rounds: int = 4, for_s: float = 8.0) -> dict[str, float]:
    """Alternate, then compare all intervals of either kind."""
    found: dict[int, list[float]] = {0: [], VIEWERS: []}
    seen = 0
    with tempfile.TemporaryDirectory() as place:
        for number in range(rounds):
            for viewers in found:
                steps, messages = _intervals(Path(place) / f"{number}-{viewers}", viewers, for_s)
                found[viewers] += steps
                seen += messages
    without, with_ = np.array(found[0]), np.array(found[VIEWERS])
    return {
        "interval_p95_ratio": float(np.percentile(with_, 95) / np.percentile(without, 95)),
        "interval_sd_ratio": float(with_.std() / without.std()),
        "messages_seen_per_viewer_and_row": seen / (VIEWERS * max(with_.size, 1)),
    }


async def _look(host: str, port: int, counts: list[int]) -> None:
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(f"GET /events HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
    while line := await reader.readline():
        counts[0] += line.startswith(b"data:")


async def _view(address: str, viewers: int) -> None:
    host, _, port = address.removeprefix("http://").strip("/").partition(":")
    counts = [0]
    tasks = [asyncio.create_task(_look(host, int(port), counts)) for _ in range(viewers)]
    await asyncio.sleep(0.5)
    print("looking", flush=True)
    await asyncio.to_thread(sys.stdin.readline)
    for task in tasks:
        task.cancel()
    print(counts[0])


if __name__ == "__main__":
    asyncio.run(_view(sys.argv[1], int(sys.argv[2])))
