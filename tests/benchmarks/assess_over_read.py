"""A hundred thousand readings assessed, against the time to read their record; at most 3.

The record is that of the demo, in which each reading of the output is there many times over in
the checks that take means: as if a fast meter had been left running.
"""

from __future__ import annotations

import io
import json
import tempfile
import time
from pathlib import Path
from typing import Any

from runner.assess import assess
from runner.clock import VirtualClock
from runner.record.journal import JOURNAL_NAME, DiskFiles, Journal
from runner.record.reader import open_record
from tests.e2e.cli import asleft

__all__ = ["measure"]

READINGS = 100_000
MEANS = frozenset({"setting", "load-effect", "source-effect", "headroom", "drift"})
_OF_THE_JOURNAL = ("seq", "t_utc", "t_mono_s", "prev")
_TURNS = 3


def measure() -> dict[str, float]:
    """Best of three on each side, alternating."""
    with tempfile.TemporaryDirectory() as name:
        called = asleft("demo", "--json", "--no-report", "--out", name)
        folder = Path(name) / "many"
        _enlarge(Path(called.json["record"]), folder)
        reading, assessing = [], []
        for _ in range(_TURNS):
            begun_s = time.perf_counter()
            record = open_record(folder)
            reading.append(time.perf_counter() - begun_s)
            begun_s = time.perf_counter()
            assessed = assess(record)
            assessing.append(time.perf_counter() - begun_s)
        if sum(line["kind"] == "reading" for line in record.lines) < READINGS:
            raise RuntimeError("too few readings")
        if not assessed.findings:
            raise RuntimeError("nothing was found")
    return {"assess_over_read": min(assessing) / min(reading)}


class _Unsynced(DiskFiles):
    """Making the record is not what is timed."""

    def fsync(self, handle: io.FileIO) -> None:
        """Leave it to the system."""


def _enlarge(record: Path, folder: Path) -> None:
    """Write the record again with its readings of the output repeated."""
    lines = [json.loads(line) for line in (record / JOURNAL_NAME).read_bytes().splitlines()]
    times = -(-READINGS // sum(map(_counts, lines)))
    for wave in record.glob("*.np*"):
        (folder / wave.name).parent.mkdir(parents=True, exist_ok=True)
        (folder / wave.name).write_bytes(wave.read_bytes())
    journal = Journal(folder, VirtualClock(), files=_Unsynced())
    for line in lines:
        fields = {k: v for k, v in line.items() if k not in {*_OF_THE_JOURNAL, "kind"}}
        journal.write_all(line["kind"], [fields] * (times if _counts(line) else 1))
    journal.close()


def _counts(line: dict[str, Any]) -> bool:
    repeated = line["kind"] == "reading" and line["quantity"] == "output-voltage"
    return repeated and line["check"] in MEANS
