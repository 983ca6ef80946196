"""``python -m tests.diagnose.coverage FOLDER…``: how often estimates hold the truth.

The folders are what ``tests.diagnose.generate`` made: records and ``cases.jsonl``. Cases in
``looked_at.json`` were seen while estimates and their uncertainties were chosen; the others were
not, and are the proof. Prints a table of both, by estimate, and each case outside.
"""

from __future__ import annotations

import json
import sys
import tarfile
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from runner.assess import assess
from runner.diagnose.diagnosis import diagnose
from runner.one_thread import one_thread
from runner.profile import find_profile, load_profile
from runner.record.reader import open_record
from tests.diagnose.prove import looked_at
from tests.diagnose.truth import parts_of, truth_of

__all__ = ["Held", "held_in", "table"]

Held = tuple[str, bool, bool, str]
"""Estimate, case not looked at, inside, the sentence about it."""


def held_in(case: dict[str, Any], folder: Path) -> Iterator[Held]:
    """Yield, for each estimate of a case whose truth is known, whether it holds it."""
    profile = load_profile(find_profile(case["profile"]))
    parts = parts_of(profile, case["seed"], case["faults"])
    record = open_record(folder)
    for one in diagnose(record, assess(record)).estimates:
        true = truth_of(one, parts, profile, case["causes"])
        if true is None or one.value is None or one.low is None or one.high is None:
            continue
        name = "earth" if one.name.startswith("earth") else one.name.split()[0]
        sigma = (one.high - one.low) / 4.0
        told = f"{case['number']} {case['faults']} {one.name}: {one.value:.4g}, true {true:.4g}"
        told += f" ({(one.value - true) / sigma:+.1f} σ)" if sigma > 0.0 else ""
        yield name, case["number"] not in looked_at(), one.low <= true <= one.high, told


def table(held: list[Held]) -> list[str]:
    """Rows of the table: estimate, cases looked at, others."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    for estimate, is_fresh, is_inside, _ in held:
        for key in (estimate, "all"):
            counts[key][2 * is_fresh] += is_inside
            counts[key][2 * is_fresh + 1] += 1
    rows = [
        "| estimate | looked at: inside of | others: inside of | others, % |",
        "|---|---|---|---|",
    ]
    for name, (seen_in, seen, fresh_in, fresh) in sorted(
        counts.items(), key=lambda c: c[0] == "all"
    ):
        share = f"{100 * fresh_in / fresh:.0f}" if fresh else "–"
        rows.append(f"| {name} | {seen_in} of {seen} | {fresh_in} of {fresh} | {share} |")
    return rows


def main() -> None:
    """Go through the cases that have a record."""
    one_thread()
    held: list[Held] = []
    for base in map(Path, sys.argv[1:]):
        for text in (base / "cases.jsonl").read_text(encoding="utf-8").splitlines():
            case = json.loads(text)
            packed = base / f"{case['number']}.tar.gz"
            if "trouble" in case or not packed.exists():
                continue
            with tempfile.TemporaryDirectory() as folder:
                with tarfile.open(packed) as archive:
                    archive.extractall(folder, filter="data")
                held += held_in(case, Path(folder))
    for _, _, inside, told in held:
        if not inside:
            sys.stdout.write(f"outside: {told}\n")
    sys.stdout.write("\n".join(table(held)) + "\n")


if __name__ == "__main__":
    main()
