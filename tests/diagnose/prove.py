"""``python -m tests.diagnose.prove``: fit the causes' counts to cases, and judge them.

Cases are those of ``cases.jsonl.xz`` (:mod:`tests.diagnose.seen`). Each is judged by counts of the
other cases only (``FOLDS`` parts by number); the temperature is the one with which those answers
explain the truth best.

Numbers in ``looked_at.json`` were looked at while features and written table were corrected; what
was reached on the others is told apart. ``--looked-at`` adds all that are there. ``--shipped``
judges them by the counts that come with the program as they are. ``--write`` puts counts of all
cases, for use, to ``runner/diagnose/fitted.json``, and the tables of what was reached to
``tests/diagnose/proof.md``.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from runner import diagnose
from runner.diagnose.diagnosis import rank
from runner.diagnose.feature import Feature
from runner.diagnose.fitted import Fitted, Run, fit, kind_of, load_fitted
from runner.diagnose.likelihood import Ranking, StateTable
from runner.finding import Finding
from runner.one_thread import one_thread
from runner.profile import Profile
from tests.diagnose.seen import CASES, KEPT, load_seen, profile_of, source
from tests.diagnose.traces import traced

__all__ = ["Case", "Judged", "as_shipped", "folds", "judge", "looked_at", "read_cases", "runs_of"]

FOLDS = 10
LOOKED_AT = Path(__file__).with_name("looked_at.json")
TEACH = range(300_000, 400_000)
"""Cases of these numbers ran only some checks: they are counted, not judged."""
SURE = 0.98
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


def read_cases(lines: Iterable[dict[str, Any]]) -> list[Case]:
    """Return the kept lines as cases, each unlucky twin of a healthy unit one of its own."""
    return [
        Case(
            line["number"], tuple(line["causes"]), profile_of(line["profile"]), line["missing"],
            {name: Feature(state, "", value) for name, (state, value) in seen["features"].items()},
            [Finding.from_dict(dict(zip(KEPT, one, strict=True))) for one in seen["failed"]],
            line["number"] not in looked_at(), luck,
        )
        for line in lines
        for luck, seen in enumerate(line["seen"])
    ]  # fmt: skip


@cache
def looked_at() -> frozenset[int]:
    """Numbers of the cases that were seen while anything was corrected."""
    return frozenset(json.loads(LOOKED_AT.read_text(encoding="utf-8")))


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
        ([c for c in cases if c.number % FOLDS == part and c.failed and c.number not in TEACH],
         fit(runs_of(c for c in cases if c.number % FOLDS != part), 1.0))
        for part in range(FOLDS)
    ]  # fmt: skip


def as_shipped(cases: Sequence[Case]) -> list[tuple[list[Case], Fitted]]:
    """Failing cases in one part, with the counts that come with the program."""
    return [([c for c in cases if c.failed and c.number not in TEACH], load_fitted())]


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
    lines = load_seen()
    if not lines:
        sys.exit(f"{CASES.name} holds no cases: make some with tests.diagnose.generate and .seen")
    cases = read_cases(lines)
    if "--shipped" in sys.argv:
        judged = judge(as_shipped(cases), load_fitted().temperature, load_fitted().reach)
        sys.stdout.write(tables(judged, {}, traced(cases)))
        return
    if "--looked-at" in sys.argv:
        LOOKED_AT.write_text(json.dumps(sorted(looked_at() | {c.number for c in cases})) + "\n")
    parts = folds(cases)
    by_temperature = {t: judge(parts, t) for t in TEMPERATURES}
    losses = {t: loss(judged) for t, judged in by_temperature.items()}
    best = min(losses, key=lambda t: losses[t])
    most = reach(by_temperature[best])
    text = tables(judge(parts, best, most), losses, traced(cases)) + _older(lines)
    sys.stdout.write(text)
    if "--write" in sys.argv:
        keep(replace(fit(runs_of(cases), best, cases=len(cases), folds=FOLDS), reach=most), text)


def _older(lines: Sequence[dict[str, Any]]) -> str:
    """Say how many cases were read with features that have changed since; nothing if none."""
    older = sum(one["source"] != source() for one in lines)
    return f"Of {len(lines)} records {older} were read before features changed.\n" if older else ""


def keep(fitted: Fitted, text: str) -> None:
    """Write the counts and the tables to where they are used and read."""
    room = Path(diagnose.__file__).parent
    data = asdict(fitted)
    (room / "fitted.json").write_text(json.dumps(data, sort_keys=True) + "\n", encoding="utf-8")
    Path(__file__).with_name("proof.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
