"""Fifty viewers of the live page against none: does the run's sampling suffer?

The same short soak in real time, in turns without and with viewers; jitter is how far the time
between two rows lies from its median. Each turn gives its own figures, and the median turn counts,
so that other work on the computer, which comes and goes, does not decide. ``jitter_p95_ratio``:
the 95 % point of the jitter; ``jitter_median_ratio``: its median; ``interval_p95_ratio``: the 95 %
point of the time between rows (each with viewers over without; limit 1.05). The viewers are
other people's computers: here they run at the lowest priority, the server does not.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

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


def measure(rounds: int = 6, for_s: float = 8.0) -> dict[str, float]:
    """Alternate, then compare the median turn of either kind."""
    turns: dict[int, list[NDArray[np.float64]]] = {0: [], VIEWERS: []}
    seen = rows = 0
    with tempfile.TemporaryDirectory() as place:
        for number in range(rounds):
            for viewers, mine in turns.items():
                steps, messages = _intervals(Path(place) / f"{number}-{viewers}", viewers, for_s)
                mine.append(np.array(steps))
                seen += messages
                rows += len(steps) if viewers else 0

    def ratio(figure: Callable[[NDArray[np.float64]], float]) -> float:
        without, with_ = (np.median([figure(one) for one in turns[n]]) for n in (0, VIEWERS))
        return float(with_ / without)

    return {
        "jitter_p95_ratio": ratio(lambda one: float(np.percentile(_jitter(one), 95))),
        "jitter_median_ratio": ratio(lambda one: float(np.median(_jitter(one)))),
        "interval_p95_ratio": ratio(lambda one: float(np.percentile(one, 95))),
        "messages_seen_per_viewer_and_row": seen / (VIEWERS * max(rows, 1)),
    }


def _jitter(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.abs(steps - np.median(steps))


async def _look(host: str, port: int, counts: list[int]) -> None:
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(f"GET /events HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
    while line := await reader.readline():
        counts[0] += line.startswith(b"data:")


async def _view(address: str, viewers: int) -> None:
    os.nice(19)
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
