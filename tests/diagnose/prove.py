"""``python -m tests.diagnose.prove FOLDER…``: fit the causes' counts to cases, and judge them.

Features are read from the records of :mod:`tests.diagnose.generate`. Each case is judged by
counts of the other cases only (``FOLDS`` parts by number); the temperature is the one with which
those answers explain the truth best. From each healthy record ``LUCK`` units that fail by bad luck
are made: the limit of one value is moved until the value fails by part of its uncertainty.

Numbers in ``looked_at.json`` were looked at while features and written table were corrected; what
was reached on the others is told apart. ``--looked-at`` adds all that are there. ``--write`` puts
counts of all cases, for use, to ``runner/diagnose/fitted.json``, and the tables of what was
reached to ``tests/diagnose/proof.md``.
"""

from __future__ import annotations

import json
import math
import sys
import tarfile
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from runner import diagnose
from runner.assess import assess
from runner.diagnose.diagnosis import rank
from runner.diagnose.feature import BAD, Feature
from runner.diagnose.features import features_of
from runner.diagnose.fitted import Fitted, Run, fit, kind_of
from runner.diagnose.likelihood import Ranking, StateTable
from runner.finding import Decision, Finding
from runner.one_thread import one_thread
from runner.profile import Profile, find_profile, load_profile
from runner.record.reader import Record, open_record

__all__ = [
    "Case", "Judged", "folds", "judge", "looked_at", "read_cases", "runs_of", "unlucky",
]  # fmt: skip

FOLDS = 10
LOOKED_AT = Path(__file__).with_name("looked_at.json")
TEACH_FROM = 300_000
"""Cases from these numbers ran only some checks: they are counted, not judged."""
SURE = 0.98
LUCK, BEYOND = 4, (0.1, 0.9)
"""Unlucky units per healthy record; how far beyond the limit the value lies, in parts of its U."""
TEMPERATURES = (0.2, 0.25, 0.3, 0.4, 0.6, 0.9)


@dataclass(frozen=True, slots=True)
class Case:
    """A simulated unit: what is wrong with it, what its record shows, what fails."""

    number: int
    causes: tuple[str, ...]
    profile: Profile
    missing: str
    features: dict[str, Feature]
    failed: list[Finding]
    fresh: bool = False
    """Not looked at while features and table were corrected."""
    luck: int = 0
    """Above zero: a healthy record in which one value was put at its limit."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A case and the ranking that counts of other cases gave."""

    case: Case
    ranking: Ranking

    def place(self, cause: str) -> int:
        """Rank of a cause, from 1; past the end when it is not named."""
        names = list(self.ranking.present)
        return names.index(cause) + 1 if cause in names else len(names) + 1


def read_cases(folders: Sequence[Path]) -> list[Case]:
    """Read every case that has a record; of two with the same number the later folder's counts."""
    found: dict[int, list[Case]] = {}
    for folder in folders:
        for text in (folder / "cases.jsonl").read_text(encoding="utf-8").splitlines():
            line = json.loads(text)
            if "how" in line:
                found[line["number"]] = _cases(folder, line)
    return [case for number in sorted(found) for case in found[number]]


@cache
def _source() -> str:
    """What the features depend on, so that kept ones are read again after a change."""
    room = Path(diagnose.__file__).parent
    names = ("feature", "features", "failures", "levels", "run_features", "mains_content",
             "part_features", "capacitors", "falls")  # fmt: skip
    return sha256(b"".join((room / f"{name}.py").read_bytes() for name in names)).hexdigest()


@cache
def _profile(name: str) -> Profile:
    return load_profile(find_profile(name))


@cache
def looked_at() -> frozenset[int]:
    """Numbers of the cases that were seen while anything was corrected."""
    return frozenset(json.loads(LOOKED_AT.read_text(encoding="utf-8")))


def _cases(folder: Path, line: dict[str, Any]) -> list[Case]:
    kept = folder / f"{line['number']}.features.json"
    data = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else {}
    if data.get("source") != _source():
        data = {"source": _source(), "seen": _extract(folder, line)}
        kept.write_text(json.dumps(data), encoding="utf-8")
    return [
        Case(
            line["number"], tuple(line["causes"]), _profile(line["profile"]), line["missing"],
            {name: Feature(**one) for name, one in seen["features"].items()},
            [Finding.from_dict(one) for one in seen["failed"]],
            line["number"] not in looked_at(), luck,
        )
        for luck, seen in enumerate(data["seen"])
    ]  # fmt: skip


def _extract(folder: Path, line: dict[str, Any]) -> list[dict[str, Any]]:
    """Features and failures of a record; of a healthy one with those of unlucky twins."""
    path = folder / f"{line['number']}.tar.gz"
    with tempfile.TemporaryDirectory() as name, tarfile.open(path) as packed:
        packed.extractall(name, filter="data")
        record = open_record(Path(name))
        done = assess(record)
        every = [done.findings]
        if not line["causes"]:
            every += unlucky(done.findings, np.random.default_rng(line["number"]))
        return [_seen(record, findings, done.profile) for findings in every]


def _seen(record: Record, findings: Sequence[Finding], profile: Profile) -> dict[str, Any]:
    features = features_of(record, findings, profile)
    failed = [f.to_dict() | {"budget": []} for f in findings if f.decision in BAD]
    return {"features": {n: one.to_dict() for n, one in features.items()}, "failed": failed}


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


def runs_of(cases: Iterable[Case]) -> list[Run]:
    """Cases with one cause or none, as the fit wants them; pairs are only judged.

    A fault that makes nothing fail is never diagnosed, so it must not teach what it looks like.
    """
    return [
        (one.causes[0] if one.causes else "", kind_of(one.profile),
         {name: f.state for name, f in one.features.items()})
        for one in cases
        if len(one.causes) < 2 and not one.luck and bool(one.causes) == bool(one.failed)
    ]  # fmt: skip


def folds(cases: Sequence[Case]) -> list[tuple[list[Case], Fitted]]:
    """Failing cases part by part, each with counts that have not seen it."""
    return [
        ([c for c in cases if c.number % FOLDS == part and c.failed and c.number < TEACH_FROM],
         fit(runs_of(c for c in cases if c.number % FOLDS != part), 1.0))
        for part in range(FOLDS)
    ]  # fmt: skip


def judge(
    parts: Sequence[tuple[list[Case], Fitted]], temperature: float, most: float = 1.0
) -> list[Judged]:
    """Judge each failing case by counts that have not seen it."""
    done = []
    for mine, fitted in parts:
        others = replace(fitted, temperature=temperature, reach=most)
        table = {kind_of(c.profile): StateTable(others, kind_of(c.profile)) for c in mine}
        done += [
            Judged(c, rank(c.features, c.profile, c.failed, table[kind_of(c.profile)]))
            for c in mine
        ]
    return sorted(done, key=lambda one: one.case.number)


def loss(judged: Iterable[Judged]) -> float:
    """Mean of -log of the probability given to the truth, single causes only."""
    single = [one for one in judged if len(one.case.causes) == 1]
    given = [one.ranking.present.get(one.case.causes[0], 0.0) for one in single]
    return sum(-math.log(max(p, 1e-6)) for p in given) / max(len(given), 1)


def reach(judged: Iterable[Judged]) -> float:
    """How often answers that were sure were right: (right + 1)/(answers + 2), Laplace."""
    sure = [
        name in one.case.causes
        for one in judged
        if one.case.causes
        for name, p in list(one.ranking.present.items())[:1]
        if p > SURE
    ]
    return round((sum(sure) + 1) / (len(sure) + 2), 3)


def main() -> None:
    """Fit, judge, print; with ``--write`` keep."""
    from tests.diagnose.proof_tables import tables

    one_thread()
    folders = [Path(name) for name in sys.argv[1:] if not name.startswith("-")]
    cases = read_cases(folders)
    if "--looked-at" in sys.argv:
        LOOKED_AT.write_text(json.dumps(sorted(looked_at() | {c.number for c in cases})) + "\n")
    parts = folds(cases)
    by_temperature = {t: judge(parts, t) for t in TEMPERATURES}
    losses = {t: loss(judged) for t, judged in by_temperature.items()}
    best = min(losses, key=lambda t: losses[t])
    most = reach(by_temperature[best])
    text = tables(judge(parts, best, most), losses)
    sys.stdout.write(text)
    if "--write" in sys.argv:
        keep(replace(fit(runs_of(cases), best, cases=len(cases), folds=FOLDS), reach=most), text)


def keep(fitted: Fitted, text: str) -> None:
    """Write the counts and the tables to where they are used and read."""
    room = Path(diagnose.__file__).parent
    data = asdict(fitted)
    (room / "fitted.json").write_text(json.dumps(data, sort_keys=True) + "\n", encoding="utf-8")
    Path(__file__).with_name("proof.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
