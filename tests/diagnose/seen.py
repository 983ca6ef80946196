"""``python -m tests.diagnose.seen FOLDER…``: keep what the records of drawn units show.

Records of :mod:`tests.diagnose.generate` are a megabyte each and take a quarter of a minute to
make; what the proof needs of them is kept in ``cases.jsonl.xz``, a line a case: what was drawn,
features, failing findings, and whether each estimate held the part's true value. So the proof can
be made again from a fresh checkout, and cases of several days add up. Of two cases with the same
number the later counts.

From each healthy record ``LUCK`` units that fail by bad luck are made: the limit of one value is
moved until the value fails by part of its uncertainty.
"""

from __future__ import annotations

import json
import lzma
import sys
import tarfile
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from runner import diagnose as room
from runner.assess import assess
from runner.diagnose.diagnosis import diagnose
from runner.diagnose.feature import BAD
from runner.diagnose.features import features_of
from runner.finding import Decision, Finding
from runner.one_thread import one_thread
from runner.profile import Profile, find_profile, load_profile
from runner.record.reader import Record, open_record
from tests.diagnose.truth import parts_of, truth_of

__all__ = [
    "CASES", "KEPT", "LUCK", "keep_seen", "load_seen", "profile_of", "seen_in", "source", "unlucky",
]  # fmt: skip

CASES = Path(__file__).with_name("cases.jsonl.xz")
LUCK, BEYOND = 4, (0.1, 0.9)
"""Unlucky units per healthy record; how far beyond the limit the value lies, in parts of its U."""
KEPT = ("check", "what", "at", "value", "unit", "decision", "u_expanded", "limit_low", "limit_high")


@cache
def source() -> str:
    """Hash of what features and estimates depend on: tells cases that were read with older ones."""
    base = Path(room.__file__).parent
    names = ("feature", "features", "failures", "levels", "run_features", "mains_content",
             "part_features", "capacitors", "falls", "estimates", "estimate", "valley",
             "load_edge")  # fmt: skip
    return sha256(b"".join((base / f"{name}.py").read_bytes() for name in names)).hexdigest()[:16]


@cache
def profile_of(name: str) -> Profile:
    """Return a profile that comes with the program."""
    return load_profile(find_profile(name))


def load_seen(path: Path = CASES) -> list[dict[str, Any]]:
    """Return the kept lines by number; none where there is no file."""
    if not path.exists():
        return []
    with lzma.open(path, "rt", encoding="utf-8") as file:
        return [json.loads(text) for text in file]


def keep_seen(new: Iterable[dict[str, Any]], path: Path = CASES) -> int:
    """Add lines to the file and return how many it then holds."""
    lines = {one["number"]: one for one in (*load_seen(path), *new)}
    with lzma.open(path, "wt", encoding="utf-8", preset=9) as file:
        for number in sorted(lines):
            file.write(json.dumps(lines[number], sort_keys=True) + "\n")
    return len(lines)


def seen_in(folder: Path, line: dict[str, Any]) -> dict[str, Any]:
    """What the record of a case shows; of a healthy one also what its unlucky twins would."""
    with tempfile.TemporaryDirectory() as name:
        with tarfile.open(folder / f"{line['number']}.tar.gz") as packed:
            packed.extractall(name, filter="data")
        record = open_record(Path(name))
        done = assess(record)
        every = [done.findings]
        if not line["causes"]:
            every += unlucky(done.findings, np.random.default_rng(line["number"]))
        case = {k: v for k, v in line.items() if k != "failed"}
        return case | {
            "source": source(),
            "seen": [_seen(record, findings, done.profile) for findings in every],
            "held": _held(record, line),
        }


def _seen(record: Record, findings: Sequence[Finding], profile: Profile) -> dict[str, Any]:
    features = features_of(record, findings, profile)
    failed = [f.to_dict() for f in findings if f.decision in BAD]
    return {
        "features": {n: [one.state, _short(one.value)] for n, one in features.items()},
        "failed": [[f[key] for key in KEPT] for f in failed],
    }


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.5g}")


def _held(record: Record, line: dict[str, Any]) -> list[dict[str, Any]]:
    """Each estimate whose truth is known: name, value, bounds, truth."""
    profile = profile_of(line["profile"])
    parts = parts_of(profile, line["seed"], line["faults"])
    found = []
    for one in diagnose(record, assess(record)).estimates:
        true = truth_of(one, parts, profile, line["causes"])
        if true is None or one.value is None or one.low is None or one.high is None:
            continue
        numbers = {"value": one.value, "low": one.low, "high": one.high, "true": true}
        found.append({"name": one.name} | {k: _short(v) for k, v in numbers.items()})
    return found


def unlucky(findings: Sequence[Finding], rng: np.random.Generator) -> list[list[Finding]]:
    """The findings ``LUCK`` times, each with one value put beyond its limit within its U."""
    able = {i: f.what for i, f in enumerate(findings)
            if f.decision == Decision.PASS and f.value is not None and f.u_expanded
            and (f.limit_low is not None or f.limit_high is not None)}  # fmt: skip
    kinds = sorted(set(able.values()))
    found = []
    for kind in rng.choice(kinds, size=LUCK, replace=False) if len(kinds) >= LUCK else ():
        index = int(rng.choice([i for i, what in able.items() if what == kind]))
        twin = list(findings)
        twin[index] = _put_beyond(findings[index], float(rng.uniform(*BEYOND)))
        found.append(twin)
    return found


def _put_beyond(f: Finding, part: float) -> Finding:
    value, beyond = f.value or 0.0, part * (f.u_expanded or 0.0)
    if f.limit_high is not None and (value >= 0.0 or f.limit_low is None):
        return replace(f, limit_high=value - beyond, decision=Decision.CONDITIONAL_FAIL)
    return replace(f, limit_low=value + beyond, decision=Decision.CONDITIONAL_FAIL)


def main() -> None:
    """Read the records in these folders that the file does not have as they are read now."""
    one_thread()
    known = {(one["number"], one["source"]) for one in load_seen()}
    folders, lines = [], []
    for folder in map(Path, sys.argv[1:]):
        for text in (folder / "cases.jsonl").read_text(encoding="utf-8").splitlines():
            line = json.loads(text)
            if "how" in line and (line["number"], source()) not in known:
                folders.append(folder)
                lines.append(line)
    with ProcessPoolExecutor() as pool:
        new = list(pool.map(seen_in, folders, lines, chunksize=4))
    sys.stdout.write(f"{len(new)} cases read, {keep_seen(new)} kept in {CASES.name}\n")


if __name__ == "__main__":
    main()
