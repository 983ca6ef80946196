"""A night of twelve hours at ten rows a second and five columns, on instruments without physics.

``time_end_over_start``: time of a row in the last tenth over the first; ``memory_growth_mb``:
growth of the process between the first tenth and the end; ``bytes_a_reading``: journal size over
readings; ``opening_over_read_json``: opening the record against pandas reading its lines.
"""

from __future__ import annotations

import itertools
import tempfile
import time
from pathlib import Path

import pandas as pd
import psutil

from runner.record.journal import JOURNAL_NAME
from runner.record.reader import open_record
from tests.soak.light_bench import LightBench, light_plan, soak_on

__all__ = ["measure"]


def measure(for_s: float = 43200.0, every_s: float = 0.1) -> dict[str, float]:
    """Run the night and read it back."""
    process = psutil.Process()
    marks: list[tuple[float, int]] = []
    bench = LightBench()
    tenth = int(for_s / every_s / 10)

    def mark(one: LightBench) -> None:
        if one.read_count % tenth == 0:
            marks.append((time.perf_counter(), process.memory_info().rss))

    bench.before_row = mark
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "night"
        soak_on(bench, folder, light_plan(for_s, every_s, ("hold",)))
        journal = folder / JOURNAL_NAME
        size = journal.stat().st_size
        begun = time.perf_counter()
        record = open_record(folder)
        opening_s = time.perf_counter() - begun
        rows = sum(1 for _ in record.of_kind("s"))
        columns = len(next(record.of_kind("columns"))["columns"])
        del record
        begun = time.perf_counter()
        pd.read_json(journal, lines=True)
        pandas_s = time.perf_counter() - begun
    steps = [after[0] - before[0] for before, after in itertools.pairwise(marks)]
    return {
        "time_end_over_start": steps[-1] / steps[0],
        "memory_growth_mb": (marks[-1][1] - marks[0][1]) / 1e6,
        "bytes_a_reading": size / (rows * columns),
        "opening_over_read_json": opening_s / pandas_s,
    }
