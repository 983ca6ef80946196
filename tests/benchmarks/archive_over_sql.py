"""Finding and counting in a large archive, against the bare indexed SQL queries."""

from __future__ import annotations

import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

from runner.record.archive import Archive, open_archive
from tests.reports.made_entries import entries

__all__ = ["measure"]

_TURNS = 7
_FIND_REPEATS = 200
_AT_ONCE = 5000


def measure(records: int = 200_000) -> dict[str, float]:
    """Find by serial and statistics of a model, best of seven each; limit 5."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "archive.sqlite"
        archive = open_archive(f"sqlite:///{path}")
        for part in _parts(records):
            archive.add_many(part)
        bare = sqlite3.connect(path)
        ratios = {
            "archive_find_over_sql": _find(archive, bare, records),
            "archive_stats_over_sql": _stats(archive, bare),
        }
        bare.close()
        archive.close()
        return ratios


def _parts(records: int) -> Iterator[list]:  # type: ignore[type-arg]
    made = entries(records, findings=False)
    while part := list(islice(made, _AT_ONCE)):
        yield part


def _find(archive: Archive, bare: sqlite3.Connection, records: int) -> float:
    serials = [f"S{n:06d}" for n in range(0, records // 2, max(1, records // 2 // _FIND_REPEATS))]

    def ours() -> None:
        for serial in serials:
            if len(archive.find(serial=serial)) != 2:
                raise RuntimeError(f"{serial} was not found")

    def theirs() -> None:
        for serial in serials:
            query = "SELECT * FROM records WHERE serial = ? ORDER BY begun_utc"
            if len(bare.execute(query, (serial,)).fetchall()) != 2:
                raise RuntimeError(f"{serial} was not found")

    return _ratio(ours, theirs)


def _stats(archive: Archive, bare: sqlite3.Connection) -> float:
    def ours() -> None:
        archive.stats("LB-2403")

    def theirs() -> None:
        bare.execute(
            "SELECT check_name, decision, count(*) FROM outcomes WHERE model = ? AND simulated = 0"
            " GROUP BY check_name, decision ORDER BY check_name, decision",
            ("LB-2403",),
        ).fetchall()

    return _ratio(ours, theirs)


def _ratio(ours: Callable[[], None], theirs: Callable[[], None]) -> float:
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(_TURNS):
        for work, spent in zip((ours, theirs), times, strict=True):
            start = time.perf_counter()
            work()
            spent.append(time.perf_counter() - start)
    return min(times[0]) / min(times[1])


if __name__ == "__main__":
    print(measure())
