"""Fifty viewers of the live page against none: does the run's sampling suffer?

One soak in real time, twenty rows a second. Beside it, in turns of some seconds: no page at all,
and the page with fifty viewers. Two turns that follow each other, one of each kind, are a pair, so
that other work on the computer, which comes and goes, weighs on both alike; which of them is first
changes from pair to pair. Jitter is how far the time between two voltage readings lies from the
interval asked for. Ten rows a second, as a soak has them, would need twice as long for the
same certainty.

``jitter_p95_ratio``: the 95 % point of all jitter with viewers over that without (limit 1.05), with
``_low`` and ``_high``, the 95 % interval from drawing the pairs again; ``jitter_median_ratio``
likewise; ``interval_p95_ratio``: the 95 % point of the time between readings. The viewers are other
people's computers: here they run when nobody else wants to, the page's server as a run starts it.
Where the system allows it (root), the soak runs in real time, in all turns: what the computer's
other work does to it, milliseconds on a busy one, is not the question. ``measure(alone=False)``
leaves it among the others.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runner.clock import SystemClock
from runner.soak.watch import Alone
from runner.watch.process import serve_beside
from tests.soak.light_bench import LightBench, light_plan, soak_on

__all__ = ["measure"]

VIEWERS = 50
EVERY_S = 0.05
REST_S = 1.0
"""After viewers came or went, so long is not counted."""
DRAWS = 2000
ROOT = Path(__file__).parent.parent.parent
Floats = NDArray[np.float64]
Figure = Callable[[Floats], float]


class _Looked(Alone):
    """Ends the soak when the viewers have had all their turns."""

    def __init__(self, viewers: subprocess.Popen[bytes]) -> None:
        self._viewers = viewers

    def end_wanted(self) -> bool:
        return self._viewers.poll() is not None


def measure(pairs: int = 20, turn_s: float = 5.0, *, alone: bool = True) -> dict[str, float]:
    """Soak, look in turns, compare pair by pair."""
    bench, times = LightBench(clock=SystemClock()), []  # type: ignore[arg-type]
    bench.before_row = lambda one: times.append(one.clock.mono_s())
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "looked-at"
        words = (str(folder), str(pairs), str(turn_s))
        viewers = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.page_viewers", *words],
            stdout=subprocess.PIPE, cwd=ROOT, start_new_session=True,
        )  # fmt: skip
        with _real_time() if alone else nullcontext():
            soak_on(bench, folder, light_plan(3600.0, EVERY_S, ("hold",)), watch=_Looked(viewers))
        out, _ = viewers.communicate()
    turns = json.loads(out)
    read_s = np.array(times)
    steps = [_steps(read_s, turn["from_s"], turn["to_s"]) for turn in turns]
    without = [one for one, turn in zip(steps, turns, strict=True) if not turn["viewers"]]
    with_ = [one for one, turn in zip(steps, turns, strict=True) if turn["viewers"]]
    seen = sum(turn["messages"] for turn in turns)
    rows = sum(one.size for one in with_)
    return {
        **_ratio("jitter_p95", without, with_, lambda s: float(np.percentile(_jitter(s), 95))),
        **_ratio("jitter_median", without, with_, lambda s: float(np.median(_jitter(s)))),
        **_ratio("interval_p95", without, with_, lambda s: float(np.percentile(s, 95))),
        "messages_seen_per_viewer_and_row": seen / (VIEWERS * max(rows, 1)),
    }


@contextmanager
def _real_time() -> Iterator[None]:
    """Let this process be interrupted by no other, where that is allowed."""
    before = os.sched_getscheduler(0)
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    try:
        yield
    finally:
        os.sched_setscheduler(0, before, os.sched_param(0))


def _steps(read_s: Floats, from_s: float, to_s: float) -> Floats:
    """Times between readings inside a turn, in s."""
    inside = read_s[(read_s >= from_s) & (read_s <= to_s)]
    return np.diff(inside)


def _jitter(steps: Floats) -> Floats:
    return np.abs(steps - EVERY_S)


def _ratio(
    name: str, without: list[Floats], with_: list[Floats], figure: Figure
) -> dict[str, float]:
    """Figure of all turns with over that of all without; pairs drawn again for its interval."""
    rng = np.random.default_rng(1)

    def over(chosen: Iterable[int]) -> float:
        pairs = [(with_[i], without[i]) for i in chosen]
        looked, alone = (np.concatenate(one) for one in zip(*pairs, strict=True))
        return figure(looked) / figure(alone)

    drawn = [over(row) for row in rng.integers(0, len(without), (DRAWS, len(without)))]
    low, high = np.percentile(drawn, [2.5, 97.5])
    return {
        f"{name}_ratio": over(range(len(without))),
        f"{name}_ratio_low": float(low),
        f"{name}_ratio_high": float(high),
    }


# ---- the viewers, in a process of their own ---------------------------------------------------


async def _look(host: str, port: int, counts: list[int]) -> None:
    reader, writer = await asyncio.open_connection(host, port)
    try:
        writer.write(f"GET /events HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        while line := await reader.readline():
            counts[0] += line.startswith(b"data:")
    finally:
        writer.close()


async def _turn(folder: Path, viewers: int, turn_s: float) -> dict[str, float]:
    """One turn: its begin and end on the clock that all processes share, messages seen."""
    clock, counts, tasks = SystemClock(), [0], []
    end: Callable[[], None] = lambda: None  # noqa: E731
    if viewers:
        address, end = serve_beside(folder)  # in a session of its own
        host, _, port = address.removeprefix("http://").strip("/").partition(":")
        tasks = [asyncio.create_task(_look(host, int(port), counts)) for _ in range(viewers)]
        while counts[0] < viewers:  # each has been told how things stand
            await asyncio.sleep(0.1)
    await asyncio.sleep(REST_S)
    from_s, before = clock.mono_s(), counts[0]
    await asyncio.sleep(turn_s)
    to_s, after = clock.mono_s(), counts[0]
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    end()
    return {"from_s": from_s, "to_s": to_s, "messages": after - before, "viewers": viewers}


async def _turns(folder: Path, pairs: int, turn_s: float) -> None:
    while not (folder / "journal.jsonl").exists():
        await asyncio.sleep(0.1)
    with suppress(OSError):  # this session's share, where sessions share as groups
        Path("/proc/self/autogroup").write_text("19")
    order = [n for i in range(pairs) for n in ((0, VIEWERS), (VIEWERS, 0))[i % 2]]
    turns = [await _turn(folder, n, turn_s) for n in order]
    print(json.dumps(turns))


if __name__ == "__main__":
    asyncio.run(_turns(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])))
